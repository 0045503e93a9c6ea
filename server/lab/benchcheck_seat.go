package lab

import (
	"context"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/problem"
)

// ofCheck reports whether a model of the rehearsal is one that a bench check
// puts into the socket.
func ofCheck(model string) bool {
	return slices.ContainsFunc(check.Steps(), func(s check.StepInfo) bool { return s.Model == model })
}

// InSocketFor reports whether what a step needs is in the socket. On a bench
// with cards nobody but a person can tell.
func (l *Lab) InSocketFor(ctx context.Context, b *Bench, info check.StepInfo) (bool, error) {
	seated, err := l.Seated(ctx, b)
	if err != nil || b.Rehearse == nil {
		return false, err
	}
	return seated == nil && info.Model == NothingSeated || seated != nil && seated.Model == info.Model && seated.Device == "", nil
}

// seatForCheck puts what a step needs into the socket of a rehearsal bench. The
// faults of the bench stay, and what was there is remembered. The bench must be
// held.
func (l *Lab) seatForCheck(ctx context.Context, b *Bench, who Person, info check.StepInfo) error {
	there, err := l.InSocketFor(ctx, b, info)
	if err != nil || there {
		return err
	}
	before, err := l.Seated(ctx, b)
	if err != nil {
		return err
	}
	remembered, err := l.TakenOut(ctx, b)
	if err != nil {
		return err
	}
	q := bench.Seating{Model: info.Model, Seed: SeedOf(info.Model, "")}
	if before != nil {
		q.BenchFaults = before.BenchFaults
		if before.Device != "" || !ofCheck(before.Model) {
			remembered = before
		}
	}
	return l.seatAfter(ctx, b, who, q, remembered)
}

// TakenOut is what was in the socket of a rehearsal bench before a check put its
// plugs there; nil: nothing that could be put back.
func (l *Lab) TakenOut(ctx context.Context, b *Bench) (*bench.Seating, error) {
	if b.Rehearse == nil {
		return nil, nil
	}
	kept, err := keptSocket(ctx, l.Store, b.Definition.Key)
	if err != nil || kept == nil {
		return nil, err
	}
	return kept.Before, nil
}

// SeatBack puts back what was in the socket of a rehearsal bench before the
// check put its plugs there. The faults of the bench stay as they are now.
func (l *Lab) SeatBack(ctx context.Context, b *Bench, who Person) error {
	release, err := l.hold(b)
	if err != nil {
		return err
	}
	defer release()
	before, err := l.TakenOut(ctx, b)
	if err != nil {
		return err
	}
	if before == nil {
		return problem.New(problem.Conflict, "Nothing was taken out of the socket for a check.")
	}
	seated, err := l.Seated(ctx, b)
	if err != nil {
		return err
	}
	q := *before
	q.BenchSeed, q.World, q.Insertion = nil, nil, 0 // the bench as it is, seated once more
	if q.BenchFaults = nil; seated != nil {
		q.BenchFaults = seated.BenchFaults
	}
	return l.seatLocked(ctx, b, who, q)
}

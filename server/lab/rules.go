package lab

import (
	"errors"

	"ohmkeep/server/bench"
	"ohmkeep/server/problem"
	"ohmkeep/server/run"
)

// mayUse refuses where somebody else holds control of the bench.
func (b *Bench) mayUse(who Person) error {
	now := b.Station.Snapshot()
	if now.Session != "" && now.Session != who.Session {
		return &run.HeldError{Name: now.Holder}
	}
	return nil
}

// HoldsControl refuses where whoever asks does not hold control of the bench.
func (b *Bench) HoldsControl(who Person) error {
	if err := b.mayUse(who); err != nil {
		return err
	}
	if b.Station.Snapshot().Session != who.Session {
		return problem.New(problem.Conflict, "Take control of the bench first.")
	}
	return nil
}

// stillHeld refuses where control has changed hands since whoever asks has
// confirmed. On the rehearsal bench nobody needs to hold it.
func (b *Bench) stillHeld(who Person) error {
	if b.Cards == nil {
		return b.mayUse(who)
	}
	return b.HoldsControl(who)
}

// mayBegin refuses, before anything is asked of a person, what the station
// would refuse after.
func (b *Bench) mayBegin() error {
	now := b.Station.Snapshot()
	switch {
	case now.Run != "":
		return run.ErrBusy
	case b.ByHand() != "":
		return b.inTheWay(run.ErrBusy)
	case now.State == bench.Unknown:
		return run.UnknownError(now.Reason)
	}
	return nil
}

// inTheWay says what keeps something from starting where it is no run.
func (b *Bench) inTheWay(err error) error {
	if what := b.ByHand(); what != "" && errors.Is(err, run.ErrBusy) {
		return problem.New(problem.Busy, problem.Sentence(what)+".")
	}
	return err
}

// WhyBusy says in a sentence why nothing can be started now; "" where something
// can.
func (b *Bench) WhyBusy(who Person) string {
	now := b.Station.Snapshot()
	switch {
	case now.Run != "":
		return "A run is at work on this bench."
	case b.ByHand() != "":
		return problem.Sentence(b.ByHand()) + "."
	case b.mayUse(who) != nil:
		return now.Holder + " holds control of this bench."
	case now.State != bench.Safe:
		return "The state of the bench is unknown. Check it, then make it safe."
	}
	return ""
}

package lab

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
	"ohmkeep/store"
)

// NothingSeated is the key of the rehearsal model that stands for an empty
// socket.
const NothingSeated = "empty"

// Seat puts something on a rehearsal bench.
func (l *Lab) Seat(ctx context.Context, b *Bench, who Person, q bench.Seating) error {
	release, err := l.hold(b)
	if err != nil {
		return err
	}
	defer release()
	return l.seatLocked(ctx, b, who, q)
}

// inSocket is what is in the socket as it is stored.
type inSocket struct {
	bench.Seating
	// Before is what a bench check took out of the socket; nil: nothing.
	Before *bench.Seating `json:"before,omitempty"`
}

func (l *Lab) seatLocked(ctx context.Context, b *Bench, who Person, q bench.Seating) error {
	return l.seatAfter(ctx, b, who, q, nil)
}

// seatAfter is seatLocked that remembers what a bench check took out of the socket
// for it.
func (l *Lab) seatAfter(ctx context.Context, b *Bench, who Person, q bench.Seating, before *bench.Seating) error {
	if b.Rehearse == nil {
		return problem.New(problem.Conflict, "This is a real bench: parts are seated by hand.")
	}
	if err := b.mayUse(who); err != nil {
		return err
	}
	var ps dut.Problems
	CheckLine(&ps, "serial", q.Serial, MaxSerial)
	CheckLine(&ps, "lot", q.Lot, MaxSerial)
	if err := ps.Err(); err != nil {
		return err
	}
	if err := l.completeSeating(ctx, b, &q); err != nil {
		return err
	}
	if err := b.checkSeating(&q); err != nil {
		return err
	}
	l.completeBench(ctx, b, &q)
	if err := b.Station.WhileIdle(func() error { return b.Rehearse.Seat(q) }); err != nil {
		if errors.Is(err, run.ErrBusy) || errors.Is(err, run.ErrClosed) {
			return err
		}
		return problem.New(problem.Conflict, err.Error()) // the bench's own words: outputs on, or no operating point
	}
	// A browser that goes away must not leave another unit in the socket than is
	// remembered.
	if err := l.Store.SetSeating(context.WithoutCancel(ctx), b.Definition.Key, inSocket{q, before}, who.Name); err != nil {
		return err
	}
	b.check.alter(func(*BenchCheck) {}) // pages of what was there are old
	l.Note(ctx, who, "seat", b.Definition.Key, q.Model+" "+q.Serial)
	return nil
}

// completeSeating fills in what a device decides: the model, and where its
// pins are.
func (l *Lab) completeSeating(ctx context.Context, b *Bench, q *bench.Seating) error {
	if q.Device == "" {
		if len(q.PinMap.Contacts) == 0 {
			q.PinMap = straightMap(b.Rehearse.Models(), q.Model, b.Definition.Key)
		}
		return nil
	}
	d, err := l.Store.GetDevice(ctx, q.Device, 0)
	if problem.CodeOf(err) == problem.NotFound || err == nil && d.Removed {
		return problem.Field("device", "there is no device "+dut.Excerpt(q.Device))
	}
	if err != nil {
		return err
	}
	if q.Model == "" {
		q.Model = d.Body.Model
	}
	pm, _, err := l.pinMap(ctx, b, q.Device)
	if problem.CodeOf(err) == problem.NotFound {
		return problem.Field("device", "this device has no pin map for this bench yet")
	}
	if err == nil {
		q.PinMap = *pm
	}
	return err
}

// completeBench fills in what a seating leaves as it is: which bench is drawn
// and in which world. What is put into the socket once more has other contacts
// than the time before; where that cannot be read, this is the first.
func (l *Lab) completeBench(ctx context.Context, b *Bench, q *bench.Seating) {
	seed, world := b.Rehearse.Drawn()
	if q.BenchSeed == nil {
		q.BenchSeed = &seed
	}
	if q.World == nil {
		q.World = &world
	}
	if q.Insertion > 0 {
		return
	}
	q.Insertion = 1
	if before, err := l.Seated(ctx, b); err == nil && before != nil {
		q.Insertion = before.Insertion + 1
	}
}

// straightMap puts pin n of a model without a device on contact n.
func straightMap(models []bench.Model, key, benchKey string) bench.PinMap {
	pm := bench.PinMap{Bench: benchKey, Contacts: map[int]int{}}
	for _, m := range models {
		if m.Key == key {
			for p := 1; p <= m.Pins; p++ {
				pm.Contacts[p] = p
			}
		}
	}
	return pm
}

// seatFresh seats a unit for a run. The same serial number is the same unit.
func (l *Lab) seatFresh(ctx context.Context, b *Bench, who Person, rec *procedure.Record) error {
	if b.Rehearse == nil {
		return nil
	}
	if rec.Device.Model == "" {
		return problem.Field("device", "this device has no rehearsal model to seat")
	}
	return l.seatLocked(ctx, b, who, bench.Seating{
		Device: rec.Device.Key, Serial: rec.Unit.Serial, Lot: rec.Unit.Lot, Model: rec.Device.Model,
		Seed: SeedOf(rec.Device.Key, rec.Unit.Serial),
	})
}

// SeedOf makes the seed of a rehearsed unit from its device and serial number,
// so that a unit can be seated again and a lot is spread.
func SeedOf(device, serial string) uint64 {
	h := fnv.New64a()
	_, _ = h.Write([]byte(device + "\x00" + serial))
	return h.Sum64() >> 11 // 53 bits: exact in JSON and in browsers
}

// Seated is what sits on a rehearsal bench, or nil.
func (l *Lab) Seated(ctx context.Context, b *Bench) (*bench.Seating, error) {
	if b.Rehearse == nil {
		return nil, nil
	}
	return KeptSeating(ctx, l.Store, b.Definition.Key)
}

// KeptSeating is what was last put on a rehearsal bench, or nil.
func KeptSeating(ctx context.Context, kept *store.Store, benchKey string) (*bench.Seating, error) {
	q, err := keptSocket(ctx, kept, benchKey)
	if err != nil || q == nil {
		return nil, err
	}
	return &q.Seating, nil
}

func keptSocket(ctx context.Context, kept *store.Store, benchKey string) (*inSocket, error) {
	row, err := kept.GetSeating(ctx, benchKey)
	if problem.CodeOf(err) == problem.NotFound {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var q inSocket
	if err := json.Unmarshal(row.Body, &q); err != nil {
		return nil, fmt.Errorf("seating of bench %s: %w", benchKey, err)
	}
	return &q, nil
}

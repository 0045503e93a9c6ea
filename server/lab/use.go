package lab

import (
	"cmp"
	"context"
	"strconv"

	"ohmkeep/server/bench"
	"ohmkeep/server/problem"
	"ohmkeep/server/run"
	"ohmkeep/store"
)

// RehearsalKey is the key of the bench that is part of the program. Nobody
// edits it: every start describes it anew.
const RehearsalKey = "rehearsal"

// Usable refuses a stored bench that cannot be worked on.
func Usable(b *store.Revised[bench.Definition]) error {
	switch {
	case b.Removed:
		return problem.New(problem.Conflict, "This bench was deleted.")
	case b.Body.Key != RehearsalKey && len(b.Body.Connections) == 0:
		return problem.New(problem.Conflict, "No connection says yet how the cards of this bench are reached: add one first.")
	}
	return nil
}

// MayLeave refuses whoever may not put another bench in use instead of this one
// now: that takes an owner, or the operator who holds control, and no run at
// work. A bench whose state is unknown may still be energised: nobody leaves it
// but an owner who says that its power is off.
func (b *Bench) MayLeave(who Person, powerOff bool) error {
	now := b.Station.Snapshot()
	switch {
	case who.Role < store.Operator:
		return problem.New(problem.Forbidden, "An owner, or the operator who holds control, can use another bench.")
	case now.AtWork():
		return b.inTheWay(run.ErrBusy)
	case who.Role < store.Owner && (now.Session == "" || now.Session != who.Session):
		if now.Session != "" {
			return &run.HeldError{Name: now.Holder}
		}
		return problem.New(problem.Conflict, "Take control of the bench first: another one can be used by who holds it, or by an owner.")
	case now.State == bench.Unknown && (!powerOff || who.Role < store.Owner):
		return problem.New(problem.Conflict, "The state of this bench is unknown. Check it and make it safe first, or confirm that its power is off.")
	}
	return nil
}

// Use puts a stored bench in use in its newest form, instead of the one that
// is. Whoever held control of the one before holds nothing afterwards. powerOff
// says that the power of the one before is off.
func (l *Lab) Use(ctx context.Context, who Person, key string, powerOff bool) error {
	l.choosing.Lock()
	defer l.choosing.Unlock()
	before := l.InUse()
	before.socket.Lock()
	defer before.socket.Unlock()
	if l.Open == nil {
		return problem.New(problem.Conflict, "This server works with the one bench that it was started with.")
	}
	if err := before.MayLeave(who, powerOff); err != nil {
		return err
	}
	stored, err := l.Store.GetBench(ctx, key, 0)
	if err == nil {
		err = Usable(stored)
	}
	if err != nil {
		return err
	}
	var next *Bench
	unknown := false
	err = before.Station.WhileIdle(func() (err error) {
		if err := before.MayLeave(who, powerOff); err != nil { // a card may be lost since
			return err
		}
		unknown = before.Station.Snapshot().State == bench.Unknown
		// A browser that goes away must not leave two benches half in use.
		next, err = l.Open(context.WithoutCancel(ctx), key)
		return err
	})
	if unknown {
		l.Note(ctx, who, "confirm", before.Definition.Key, "its state is unknown and its power is off")
	}
	if next != nil { // also where another one had to step in
		l.inUse.Store(next)
		l.Live.BenchChanged(next.Station.Snapshot())
	}
	if err != nil {
		l.Log.Warn("bench not put in use", "bench", key, "err", err)
		return notUsed(err)
	}
	l.Note(ctx, who, "use bench", key, "revision "+strconv.Itoa(stored.Rev)+", after "+before.Definition.Key)
	return nil
}

// notUsed is the refusal of a bench that could not be put in use: its link's
// own words, where they are no refusal of ours.
func notUsed(err error) error {
	if problem.Of(err) != nil {
		return err
	}
	return problem.New(problem.Conflict, "The bench could not be put in use: "+err.Error()+".")
}

// SaveBench stores a definition of one's own after everything was checked, and
// returns its revision. expected is the revision that the edit started from, 0
// for a new bench.
func (l *Lab) SaveBench(ctx context.Context, who Person, def bench.Definition, expected int) (int, error) {
	ps := def.Check()
	switch {
	case def.Key == RehearsalKey:
		ps.Add("key", "the rehearsal bench is part of the program: give the bench another key")
	case ReservedBench(def.Key):
		ps.Add("key", "%q is the address of another page: choose another key", def.Key)
	}
	if err := ps.Err(); err != nil {
		return 0, err
	}
	for _, b := range l.Benches() { // an edit of the bench in use is its holder's
		if b.Definition.Key == def.Key {
			if err := b.HoldsControl(who); err != nil {
				return 0, err
			}
		}
	}
	rev, err := l.Store.SaveBench(ctx, def.WithoutNil(), expected, who.Name)
	if err == nil {
		l.Note(ctx, who, "describe bench", def.Key, "revision "+strconv.Itoa(rev))
	}
	return rev, err
}

// EditBench stores an edit of a bench that there is, as SaveBench does. One that
// was deleted meanwhile is a Conflict, unless revive says that it is wanted back.
func (l *Lab) EditBench(ctx context.Context, who Person, def bench.Definition, expected int, revive bool) (int, error) {
	now, err := l.Store.GetBench(ctx, def.Key, 0)
	if err == nil {
		err = mayEdit("bench", now.Removed, revive)
	}
	if err != nil {
		return 0, err
	}
	return l.SaveBench(ctx, who, def, expected)
}

// ReservedBench tells a key that no bench of one's own may have: that of the
// rehearsal bench, and those that other pages' addresses would hide.
func ReservedBench(key string) bool {
	return key == "new" || key == "import" || key == RehearsalKey
}

// FreeBenchKey is key, or key with the first number behind it that no bench has.
func (l *Lab) FreeBenchKey(ctx context.Context, key string) (string, error) {
	return freeKey(cmp.Or(key, "bench"), "benches", ReservedBench, func(key string) error {
		_, err := l.Store.GetBench(ctx, key, 0)
		return err
	})
}

// UndoBench stores the revision before rev, the latest, as a new one.
func (l *Lab) UndoBench(ctx context.Context, who Person, key string, rev int) error {
	old, err := undone(rev)
	if err != nil {
		return err
	}
	return l.BringBackBench(ctx, who, key, old, rev)
}

// BringBackBench stores an old revision of a bench as a new one; expected as
// for SaveBench.
func (l *Lab) BringBackBench(ctx context.Context, who Person, key string, old, expected int) error {
	if err := named(old); err != nil {
		return err
	}
	b, err := l.Store.GetBench(ctx, key, old)
	if err != nil {
		return err
	}
	_, err = l.SaveBench(ctx, who, b.Body, expected)
	return err
}

// DeletedBench is the log's word for a bench that was deleted.
const DeletedBench = "delete bench"

// DeleteBench takes a bench out of the lists, unless it is in use.
func (l *Lab) DeleteBench(ctx context.Context, who Person, key string) error {
	l.choosing.Lock() // nobody puts it in use meanwhile
	defer l.choosing.Unlock()
	if key == RehearsalKey {
		return problem.New(problem.Conflict, "The rehearsal bench is part of the program and cannot be deleted.")
	}
	if _, err := l.Bench(key); err == nil {
		return problem.New(problem.Conflict, "This bench is in use: use another one first.")
	}
	if err := l.Store.DeleteBench(ctx, key); err != nil {
		return err
	}
	l.Note(ctx, who, DeletedBench, key, "")
	return nil
}

package lab

import (
	"context"
	"errors"
	"strings"

	"ohmkeep/server/problem"
	"ohmkeep/server/run"
	"ohmkeep/store"
)

// Stop ends a run. Stopping one that has ended is a conflict, not a fault.
func (l *Lab) Stop(ctx context.Context, who Person, id string) error {
	for _, b := range l.Benches() {
		if b.Station.StopRun(id, "stopped by "+who.Name) {
			l.Note(ctx, who, "stop run", id, "")
			return nil
		}
	}
	if _, err := l.Store.GetRun(ctx, id); err != nil && !l.isManual(id) {
		return err
	}
	return problem.New(problem.Conflict, "This run is not at work any more.")
}

// MakeSafe makes a bench safe: anybody who is signed in may, at any time.
func (l *Lab) MakeSafe(ctx context.Context, b *Bench, who Person) error {
	b.cardCheck.stop(errors.New("the bench was made safe by " + who.Name))
	err := b.Station.MakeSafe(context.WithoutCancel(ctx), who.Name)
	l.Note(ctx, who, "make safe", b.Definition.Key, errText(err))
	if err != nil {
		return problem.New(problem.Upstream, problem.Sentence(notSafe(err)))
	}
	return nil
}

// notSafe says why the bench could not be made safe, and what to do, once: what
// the station and the cards say has the same words.
func notSafe(err error) string {
	const check = "Check the bench"
	text := strings.ReplaceAll(err.Error(), run.ErrNotSafe.Error()+": ", "")
	text = strings.TrimSuffix(strings.ReplaceAll(text, ", check the bench", ""), ".")
	if !strings.Contains(text, check) {
		text += ". " + check
	}
	return run.ErrNotSafe.Error() + ": " + text + "."
}

func errText(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

// TakeControl gives whoever asks control of a bench; an owner takes it from
// whoever has it. A Conflict while anything is at work, but for its holder.
func (l *Lab) TakeControl(ctx context.Context, b *Bench, who Person) error {
	before := b.Station.Snapshot().Session
	take := b.Station.Take
	if who.Role == store.Owner {
		take = b.Station.TakeOver
	}
	change := func() error { return take(who.Name, who.Session) }
	switch {
	case before == who.Session: // keeps it
	case before != "" && who.Role != store.Owner:
		// Take says who holds it, at work or not.
	default:
		held := change
		change = func() error { return b.betweenWork(before, held) }
	}
	if err := change(); err != nil {
		return err
	}
	if before != who.Session {
		b.confirmed.forget()
	}
	l.Acted(who)
	l.Note(ctx, who, "take control", b.Definition.Key, "")
	return nil
}

// ReleaseControl gives control of a bench up, if whoever asks has it. A Conflict
// while anything is at work.
func (l *Lab) ReleaseControl(ctx context.Context, b *Bench, who Person) error {
	if b.Station.Snapshot().Session == who.Session {
		if err := b.betweenWork(who.Session, func() error { b.letGo(who.Session); return nil }); err != nil {
			return err
		}
	}
	l.Note(ctx, who, "release control", b.Definition.Key, "")
	return nil
}

// betweenWork changes who has control, from the session that has it; "" is
// nobody. A Conflict that says what to do while anything is at work: whoever
// answers for energised outputs stays who it is.
func (b *Bench) betweenWork(session string, change func() error) error {
	const everybody = " first: everybody may stop it, and make the bench safe."
	if what := b.ByHand(); what != "" {
		return problem.New(problem.Conflict, problem.Sentence(what)+". Control changes hands when that has ended. End it"+everybody)
	}
	err := b.whileHeld(session, change)
	if errors.Is(err, run.ErrBusy) {
		return problem.New(problem.Conflict, "A run or something else is at work on this bench, and control changes hands when it has ended. Stop the run"+everybody)
	}
	return err
}

// SignedOut gives up whatever a session holds.
func (l *Lab) SignedOut(session string) {
	for _, b := range l.Benches() {
		b.letGo(session)
	}
}

// letGo gives control up, if the session has it; what it confirmed goes with it.
func (b *Bench) letGo(session string) {
	if b.Station.Snapshot().Session == session {
		b.confirmed.forget()
	}
	b.Station.Release(session)
}

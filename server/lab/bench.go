package lab

import (
	"context"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/run"
	"ohmkeep/server/talk"
)

// Bench is a bench that can be worked on: what it is, the station that owns it,
// and what it offers beside its link.
type Bench struct {
	Definition bench.Definition
	// Said returns what the link has said of itself; of a card that has not
	// answered yet, only the bench's name. It may be nil.
	Said    func() bench.Identity
	Station *run.Station
	// Rehearse is nil on a bench with cards.
	Rehearse Rehearser
	// Cards is nil on the rehearsal bench.
	Cards Cards
	// Stepper lets a person do the calls to the link one by one; nil where the
	// bench has none.
	Stepper *run.Stepper
}

// Identity is what the link has said of itself.
func (b *Bench) Identity() bench.Identity {
	if b.Said == nil {
		return bench.Identity{Name: b.Definition.Name}
	}
	return b.Said()
}

// Rehearser is what a rehearsal bench offers beside its link: a socket to put
// things into. A real bench has none.
type Rehearser interface {
	Models() []bench.Model
	UnitFaultKinds() []bench.FaultKind
	BenchFaultKinds() []bench.FaultKind
	// Seat replaces what is in the socket and what is wrong with the bench. It
	// is refused while an output is on.
	Seat(s bench.Seating) error
}

// Cards is what a bench with cards offers beside its link. All methods may be
// called at any moment from any goroutine.
type Cards interface {
	// Health is how each connection stands, in the definition's order.
	Health() []talk.Health
	// Recent returns what was said after the event with that number, oldest
	// first, at most the newest n. What is older than the log holds is gone.
	Recent(after uint64, n int) []talk.Event
	// Say sends one message and gathers what comes back within wait. Unless it
	// only asks, the caller must see to it that the bench is made safe after.
	Say(ctx context.Context, connection, message string, wait time.Duration) (talk.Exchange, error)
	// Check goes through what a card must do, one finding at a time. The
	// connection is taken from the bench meanwhile, and is safe afterwards.
	Check(ctx context.Context, connection string, found func(talk.Finding)) error
}

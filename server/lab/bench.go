package lab

import (
	"cmp"
	"context"
	"strings"
	"sync"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/run"
)

// Bench is a bench that can be worked on: what it is, the station that owns it,
// what it offers beside its link, and what people are doing at it. It must not
// be copied.
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

	// socket is held while something is seated or started, and while a message
	// to a card or a check of cards begins, so that what a run says was in the
	// socket is what was, and whoever begins finds the bench as it was checked.
	socket    sync.Mutex
	confirmed confirmations
	claim     claim
	byHand    byHand
	manual    manual
	stepping  stepping
	cardCheck cardCheck
	check     benchCheck
}

// Identity is what the link has said of itself.
func (b *Bench) Identity() bench.Identity {
	if b.Said == nil {
		return bench.Identity{Name: b.Definition.Name}
	}
	return b.Said()
}

// Now is how the bench stands. What is done by hand with the cards may energise
// it without the station's knowing.
func (b *Bench) Now() run.Snapshot {
	now := b.Station.Snapshot()
	if what := b.byHand.what(); what != "" && now.State == bench.Safe {
		now.State, now.Reason = bench.Energised, what
	}
	return now
}

// ByHand is what is done at the bench that is no run, with its cards or as work
// of the station; "" is nothing.
func (b *Bench) ByHand() string {
	return cmp.Or(b.byHand.what(), b.Station.Snapshot().Work)
}

// Health is how each connection to the cards stands; none on the rehearsal
// bench.
func (b *Bench) Health() []cardinfo.Health {
	if b.Cards == nil {
		return nil
	}
	return b.Cards.Health()
}

// Remedy is what to do about a bench whose state is unknown.
func (b *Bench) Remedy() string {
	var words []string
	for _, h := range b.Health() {
		if h.Condition != cardinfo.Ready && h.Remedy != "" {
			words = append(words, h.Connection+": "+strings.TrimSuffix(h.Remedy, ".")+".")
		}
	}
	words = append(words, "Look at the outputs, the supplies and the socket; then make it safe.")
	return strings.Join(words, " ")
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
	// Drawn is which bench is drawn now, and what it has of a real one.
	Drawn() (seed uint64, w bench.World)
	// Worlds lists what a bench can have of a real one by name, the default
	// first.
	Worlds() []bench.NamedWorld
}

// Cards is what a bench with cards offers beside its link. All methods may be
// called at any moment from any goroutine.
type Cards interface {
	// Health is how each connection stands, in the definition's order.
	Health() []cardinfo.Health
	// Recent returns what was said after the event with that number, oldest
	// first, at most the newest n. What is older than the log holds is gone.
	Recent(after uint64, n int) []cardinfo.Event
	// Say sends one message and gathers what comes back within wait. Unless it
	// only asks, the caller must see to it that the bench is made safe after.
	Say(ctx context.Context, connection, message string, wait time.Duration) (cardinfo.Exchange, error)
	// Check goes through what a card must do, one finding at a time. The
	// connection is taken from the bench meanwhile, and is safe afterwards.
	Check(ctx context.Context, connection string, found func(cardinfo.Finding)) error
}

// byHand is what is done with the cards beside the station's runs.
type byHand struct {
	mu sync.Mutex
	// doing says why outputs may be on without the station's knowing; "" where
	// nothing is done by hand.
	doing string
	said  []Said // newest first
}

// while marks the bench as energised for as long as f may energise it.
func (b *byHand) while(what string, f func()) {
	b.set(what)
	defer b.set("")
	f()
}

func (b *byHand) set(what string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.doing = what
}

func (b *byHand) what() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.doing
}

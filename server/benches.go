package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card"
	"ohmkeep/server/lab"
	"ohmkeep/server/liverun"
	"ohmkeep/server/problem"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/run"
	"ohmkeep/store"
)

const (
	// settleWithin is how long putting a bench in use waits for its cards' first
	// answers; they may come later as well.
	settleWithin = 2 * time.Second
	// The log's words for which bench is in use, so that a start goes on with it.
	useSubject = "bench in use"
	useAction  = "use"
)

// cardLink is a bench's connection to its cards, with the services beside
// measuring.
type cardLink interface {
	bench.Link
	lab.Cards
	Settled(ctx context.Context) error
	Disconnect() error
}

// cardEvents are the callbacks of a link to cards.
type cardEvents struct {
	Lost  func(reason string)
	Ready func()
}

// benches is the switch between benches: it puts them in use, one at a time.
type benches struct {
	store     *store.Store
	runs      *liverun.Runs
	log       *slog.Logger
	rehearsal *rehearsal.Bench
	rehearsed bench.Definition
	clock     bench.Clock // of the rehearsal bench
	open      func(def bench.Definition, tell cardEvents) (cardLink, error)

	mu     sync.Mutex
	closed bool
	inUse  *lab.Bench
	cards  cardLink // nil on the rehearsal bench
}

// station returns the station of the bench in use.
func (p *benches) station() *run.Station {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.inUse.Station
}

// first puts in use the bench that was in use before the last stop, or the
// rehearsal bench.
func (p *benches) first(ctx context.Context) (*lab.Bench, error) {
	key := p.rehearsed.Key
	events, err := p.store.Events(ctx, useSubject, 0, 1)
	if err != nil {
		return nil, err
	}
	if len(events) > 0 {
		key = events[0].Detail
	}
	b, err := p.use(ctx, key)
	if err != nil && key != p.rehearsed.Key {
		p.log.Error("the bench that was in use cannot be used; the rehearsal bench is", "bench", key, "err", err)
		if problem.CodeOf(err) == problem.Corrupt {
			text := fmt.Sprintf("the bench that was in use (%s) is damaged: the rehearsal bench is in use instead", key)
			if err := sayDamage(ctx, p.store, p.log, text); err != nil {
				return nil, err
			}
		}
		b, err = p.use(ctx, p.rehearsed.Key)
	}
	return b, err
}

// Use puts the bench of that key in use instead of the one that is. Where its
// link cannot be opened the rehearsal bench is in use, and is returned beside
// the error.
func (p *benches) Use(ctx context.Context, key string) (*lab.Bench, error) {
	b, err := p.use(ctx, key)
	if err != nil {
		return b, err
	}
	return b, p.store.Log(ctx, store.Event{By: "ohmkeep", Action: useAction, Subject: useSubject, Detail: key})
}

func (p *benches) use(ctx context.Context, key string) (*lab.Bench, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return nil, run.ErrClosed
	}
	def, err := p.definition(ctx, key)
	if err != nil {
		return nil, err
	}
	if p.inUse != nil {
		if now := p.inUse.Station.Snapshot(); now.AtWork() {
			return nil, run.ErrBusy
		}
	}
	// The old bench first: the new one may speak through the same port.
	if err := p.leave(ctx); err != nil {
		p.log.Error("leaving a bench", "err", err)
	}
	if key == p.rehearsed.Key {
		p.inUse = p.rehearse(ctx)
		return p.inUse, nil
	}
	b, cards, err := p.engage(ctx, *def)
	if err != nil {
		// Something must be in use.
		p.inUse = p.rehearse(ctx)
		return p.inUse, err
	}
	p.inUse, p.cards = b, cards
	return b, nil
}

func (p *benches) definition(ctx context.Context, key string) (*bench.Definition, error) {
	if key == p.rehearsed.Key {
		return &p.rehearsed, nil
	}
	kept, err := p.store.GetBench(ctx, key, 0)
	if err != nil {
		return nil, err
	}
	def := &kept.Body
	if err := def.Validate(); err != nil {
		return nil, err
	}
	return def, lab.Usable(kept)
}

// leave makes the bench in use safe and gives up its link.
func (p *benches) leave(ctx context.Context) error {
	if p.inUse == nil {
		return nil
	}
	err := errors.Join(p.inUse.Station.Close(ctx), p.runs.Wait(ctx))
	if p.cards != nil {
		err = errors.Join(err, p.cards.Disconnect())
		p.cards = nil
	}
	return err
}

// rehearse returns the rehearsal bench with its station, ready for use.
func (p *benches) rehearse(ctx context.Context) *lab.Bench {
	stepper := run.NewStepper(p.rehearsal)
	said := func() bench.Identity { // another one where another bench is drawn
		identity, err := p.rehearsal.Identify(context.WithoutCancel(ctx))
		if err != nil {
			p.log.Error("the rehearsal bench", "err", err)
		}
		return identity
	}
	return &lab.Bench{
		Definition: p.rehearsed, Said: said, Rehearse: rehearser{p.rehearsal}, Stepper: stepper,
		Station: p.newStation(ctx, stepper, p.clock, p.store),
	}
}

func (p *benches) newStation(ctx context.Context, link bench.Link, clock bench.Clock, to run.Recorder) *run.Station {
	return run.NewStation(ctx, run.Config{
		Link: link, Clock: clock, Recorder: to, Observer: p.runs, Log: p.log, Changed: p.runs.BenchChanged,
	})
}

// engage opens the link to a bench's cards and puts it in use. Cards that do
// not answer yet leave its state unknown; once they do, it is made safe.
func (p *benches) engage(ctx context.Context, def bench.Definition) (*lab.Bench, cardLink, error) {
	var b *lab.Bench
	made := make(chan struct{}) // b can be reached
	who := &identity{name: def.Name}
	var cards cardLink
	cards, err := p.open(def, cardEvents{
		Lost: func(reason string) {
			<-made
			b.Station.Lost(reason)
		},
		Ready: func() {
			<-made
			ctx, cancel := context.WithTimeout(context.Background(), stopWithin)
			defer cancel()
			who.ask(ctx, cards, p.log)
			p.confirm(ctx, b.Station)
		},
	})
	if err != nil {
		return nil, nil, fmt.Errorf("opening the link to %s: %w", def.Name, err)
	}
	settled, cancel := context.WithTimeout(ctx, settleWithin)
	defer cancel()
	if err := cards.Settled(settled); err != nil {
		p.log.Warn("the cards of the bench do not answer yet", "bench", def.Key, "err", err)
	}
	who.ask(settled, cards, p.log)
	stepper := run.NewStepper(cards)
	b = &lab.Bench{Definition: def, Said: who.get, Cards: cards, Stepper: stepper,
		Station: p.newStation(ctx, stepper, bench.FineClock{}, &cardRecorder{Store: p.store, cards: cards, log: p.log})}
	close(made)
	return b, cards, nil
}

// confirm makes a bench safe whose cards have come back, so that its state is
// known again. A run that lost them has the last word on its own end first.
func (p *benches) confirm(ctx context.Context, s *run.Station) {
	if s.Wait(ctx) != nil || s.Snapshot().State != bench.Unknown {
		return
	}
	if err := s.MakeSafe(ctx, "the return of the cards"); err != nil {
		p.log.Error("making the bench safe after its cards came back", "err", err)
	}
}

// close gives up the bench in use.
func (p *benches) close(ctx context.Context) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.closed = true
	return p.leave(ctx)
}

// identity is the register of the identities that a bench's cards have given
// so far.
type identity struct {
	mu   sync.Mutex
	name string
	said bench.Identity
}

func (i *identity) get() bench.Identity {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.said.Name == "" {
		return bench.Identity{Name: i.name}
	}
	return i.said
}

func (i *identity) ask(ctx context.Context, link bench.Link, log *slog.Logger) {
	said, err := link.Identify(ctx)
	if err != nil {
		log.Warn("asking the cards who they are", "err", err)
		return
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	i.said = said
}

// openCards opens the real link to a bench's cards.
func openCards(log *slog.Logger) func(bench.Definition, cardEvents) (cardLink, error) {
	return func(def bench.Definition, tell cardEvents) (cardLink, error) {
		return card.Open(card.Config{Definition: def, Clock: bench.FineClock{}, Log: log, Lost: tell.Lost, Ready: tell.Ready})
	}
}

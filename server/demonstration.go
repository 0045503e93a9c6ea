package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/run"
	"ohmkeep/store"
)

// keepBench stores the rehearsal bench's definition, as a new revision where it
// changed, or where what is stored is damaged: it is the program's own, so that
// nothing stored keeps the program from starting.
func keepBench(ctx context.Context, s *store.Store, def bench.Definition, log *slog.Logger) error {
	rev := 0
	kept, err := s.GetBench(ctx, def.Key, 0)
	switch problem.CodeOf(err) {
	case problem.Corrupt:
		return renewBench(ctx, s, def, log)
	case problem.NotFound:
	default:
		if err != nil {
			return err
		}
		rev = kept.Latest
	}
	_, err = s.SaveBench(ctx, def, rev, "ohmkeep")
	return err
}

// renewBench stores the rehearsal bench's definition anew, and says that what was
// stored is damaged. Where it cannot be stored, the program works with its own.
func renewBench(ctx context.Context, s *store.Store, def bench.Definition, log *slog.Logger) error {
	rev, err := s.RenewBench(ctx, def, "ohmkeep")
	text := fmt.Sprintf("the stored definition of the rehearsal bench (%s) was damaged: the program's own is its revision %d now", def.Key, rev)
	if err != nil {
		log.Error("the rehearsal bench cannot be stored anew", "err", err)
		text = fmt.Sprintf("the stored definition of the rehearsal bench (%s) is damaged, and cannot be stored anew: the program works with its own", def.Key)
	}
	return sayDamage(ctx, s, log, text)
}

// sayDamage says at a start what of the database is damaged: to whoever starts
// the program, and to owners until one has taken note.
func sayDamage(ctx context.Context, s *store.Store, log *slog.Logger, text string) error {
	text += ". A check names all that is damaged"
	log.Error("LOOK AT THE DATABASE", "what", text)
	return s.AddNotice(ctx, text)
}

// reseat puts back what sat on the rehearsal bench before the last stop, on the
// bench that was drawn then unless this start names another one.
func reseat(ctx context.Context, s *store.Store, b *rehearsal.Bench, key string, seed *uint64) error {
	q, err := lab.KeptSeating(ctx, s, key)
	if err != nil || q == nil {
		return err
	}
	if seed == nil {
		return rehearser{b}.Seat(*q)
	}
	q.BenchSeed = seed
	if err := (rehearser{b}).Seat(*q); err != nil {
		return err
	}
	return s.SetSeating(ctx, key, *q, "ohmkeep")
}

// The log's words for where the demonstration stands, so that a start that was
// cut short goes on, and one that was finished is never repeated.
const (
	demoSubject  = "demonstration"
	demoBegun    = "begin demonstration"
	demoFinished = "finish demonstration"
)

// preparation is the background job that runs the demonstration lot.
type preparation struct {
	store    *store.Store
	def      bench.Definition
	identity bench.Identity
	log      *slog.Logger
	busy     func() bool // somebody's own run is at work
	lot      []demo.LotUnit
	cancel   context.CancelCauseFunc
	ended    chan struct{}

	mu          sync.Mutex
	done, total int
}

// prepareDemo fills an empty database with the demonstration lab and starts
// its lot. It returns nil where there is nothing left to do.
func prepareDemo(ctx context.Context, s *store.Store, def bench.Definition, identity bench.Identity, lot []demo.LotUnit, busy func() bool, log *slog.Logger) (*preparation, error) {
	events, err := s.Events(ctx, demoSubject, 0, 10)
	if err != nil {
		return nil, err
	}
	if len(events) == 0 {
		devices, err := s.ListDevices(ctx)
		if err != nil || len(devices) > 0 {
			return nil, err // somebody's own lab
		}
		if err := keepScenario(ctx, s); err != nil {
			return nil, err
		}
		if err := s.Log(ctx, store.Event{By: demo.Lab, Action: demoBegun, Subject: demoSubject}); err != nil {
			return nil, err
		}
	} else if events[0].Action == demoFinished {
		return nil, nil
	}
	if lot == nil {
		lot = demo.Lot()
	}
	runCtx, cancel := context.WithCancelCause(context.Background())
	p := &preparation{
		store: s, def: def, identity: identity, busy: busy, log: log, cancel: cancel,
		ended: make(chan struct{}), lot: lot, total: len(lot),
	}
	go func() {
		defer close(p.ended)
		if err := p.run(runCtx); err != nil && runCtx.Err() == nil {
			log.Error("demonstration lot given up; the next start goes on with it", "err", err)
			p.mu.Lock()
			p.total = p.done // pages need not wait for it
			p.mu.Unlock()
		}
	}()
	return p, nil
}

func keepScenario(ctx context.Context, s *store.Store) error {
	docs := demo.Scenario()
	for _, d := range docs.Devices {
		if _, err := s.SaveDevice(ctx, d, 0, demo.Lab); err != nil {
			return fmt.Errorf("device %s: %w", d.Key, err)
		}
	}
	for _, m := range docs.PinMaps {
		if _, err := s.SavePinMap(ctx, m, 0, demo.Lab); err != nil {
			return fmt.Errorf("pin map of %s: %w", m.Device, err)
		}
	}
	for _, p := range docs.Procedures {
		if _, err := s.SaveProcedure(ctx, p, 0, demo.Lab); err != nil {
			return fmt.Errorf("procedure %s: %w", p.Key, err)
		}
	}
	return nil
}

// progress returns how many units of the lot have been run, of how many.
func (p *preparation) progress() (done, total int) {
	if p == nil {
		return 0, 0
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.done, p.total
}

// stop ends the preparation and waits for it. The next start goes on with it.
func (p *preparation) stop() {
	p.cancel(&run.Halt{Status: procedure.Interrupted, Reason: "the server was stopped"})
	<-p.ended
}

// run puts every unit of the lot through the procedure that people use, on a
// rehearsal bench of its own whose clock counts instead of waiting.
func (p *preparation) run(ctx context.Context) error {
	device, err := p.store.GetDevice(ctx, demo.LotDevice, 0)
	if err != nil {
		return err
	}
	proc, err := p.store.GetProcedure(ctx, demo.LotProcedure, 0)
	if err != nil {
		return err
	}
	pm, err := p.store.GetPinMap(ctx, demo.LotDevice, p.def.Key, 0)
	if err != nil {
		return err
	}
	finished, err := p.resume(ctx)
	if err != nil {
		return err
	}
	var each time.Duration
	for _, e := range proc.Body.Estimate(&device.Body, &p.def) {
		each += time.Duration(e.Total() * float64(time.Second))
	}
	each = (each + time.Minute).Round(time.Minute) // time to change the unit
	begin := time.Now().Add(-each * time.Duration(p.total))
	clock := bench.NewCountingClock(begin)
	b, err := rehearsal.New(rehearsal.Config{Definition: p.def, Clock: clock, Seed: benchSeed})
	if err != nil {
		return err
	}
	runner := &run.Runner{Link: b, Clock: clock, Recorder: p.store, Log: p.log.With("lot", demo.LotName)}
	for i, u := range p.lot {
		if err := clock.Sleep(ctx, begin.Add(time.Duration(i)*each).Sub(clock.Now())); err != nil {
			return err
		}
		if !finished[u.Serial] {
			if err := p.yield(ctx); err != nil {
				return err
			}
			rec := &procedure.Record{
				Device: device.Body, DeviceRev: device.Rev, Procedure: proc.Body, ProcRev: proc.Rev,
				PinMap: pm.Body, Bench: p.def, Identity: p.identity, Rehearsal: true,
				Unit: dut.Unit{Serial: u.Serial, Lot: demo.LotName}, Operator: demo.Lab,
				Note: "Rehearsed on a counting clock: its times are those that the bench would have taken.",
			}
			if err := p.unit(ctx, b, runner, rec, u); err != nil {
				return err
			}
		}
		p.mu.Lock()
		p.done = i + 1
		p.mu.Unlock()
	}
	return p.store.Log(ctx, store.Event{By: demo.Lab, Action: demoFinished, Subject: demoSubject})
}

// yield waits while somebody's own run is at work: the lot may take its time,
// and a small machine's cores are theirs.
func (p *preparation) yield(ctx context.Context) error {
	t := time.NewTicker(200 * time.Millisecond)
	defer t.Stop()
	for p.busy() {
		select {
		case <-t.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// resume returns the serial numbers that are finished, and deletes the runs
// that a stop has cut short.
func (p *preparation) resume(ctx context.Context) (map[string]bool, error) {
	finished := map[string]bool{}
	var cut []string
	err := p.store.EachRun(ctx, store.Filter{Device: demo.LotDevice, Lot: demo.LotName}, func(r *store.RunRow) error {
		switch {
		case r.Status == procedure.Done:
			finished[r.Unit.Serial] = true
		case r.Operator == demo.Lab:
			cut = append(cut, r.ID)
		}
		return nil
	})
	for _, id := range cut {
		err = errors.Join(err, p.store.DeleteRun(ctx, id))
	}
	return finished, err
}

func (p *preparation) unit(ctx context.Context, b *rehearsal.Bench, runner *run.Runner, rec *procedure.Record, u demo.LotUnit) error {
	seating := bench.Seating{
		Device: rec.Device.Key, Serial: u.Serial, Lot: demo.LotName, Model: rec.Device.Model,
		Seed: u.Seed, UnitFaults: u.UnitFaults, PinMap: rec.PinMap,
	}
	seed, world := rehearser{b}.Drawn()
	seating.BenchSeed, seating.World = &seed, &world
	if err := (rehearser{b}).Seat(seating); err != nil {
		return fmt.Errorf("unit %s: %w", u.Serial, err)
	}
	rec.Seated = seating
	if _, err := runner.Run(ctx, rec); err != nil {
		return fmt.Errorf("unit %s: %w", u.Serial, err)
	}
	return nil
}

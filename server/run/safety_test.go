package run

import (
	"context"
	"flag"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/rehearsal/model"
)

var (
	procedures = flag.Int("procedures", 120, "random procedures that TestNoRatingIsExceeded carries out: as many as pass the check before power")
	seed       = flag.Uint64("seed", 0, "first seed of TestNoRatingIsExceeded: each procedure has one of its own")
)

// margins are the tolerances beyond a rating: the accuracy that the bench
// states for what it forces and limits, and the drop between a local sense
// point and the pin, and that of the pin's clamp supply, which it follows.
type margins struct{ volts, ohms float64 }

func marginsOf(d *bench.Definition) margins {
	var m margins
	for _, ch := range d.Channels {
		r := ch.ForceV[len(ch.ForceV)-1]
		m.volts = max(m.volts, r.MaxError(r.FullScale)+r.Step)
		for _, p := range d.Paths {
			m.ohms = max(m.ohms, ch.SourceR+p.Resistance*1.05)
		}
	}
	return m
}

// amps is the accuracy of a limit, or of the sum of those of all channels, that
// together may be as large as a rating.
func (margins) amps(d *bench.Definition, rating float64) float64 {
	sum := 0.0
	for _, ch := range d.Channels {
		r, ok := bench.RangeFor(ch.ForceI, rating)
		if !ok {
			r = ch.ForceI[len(ch.ForceI)-1]
		}
		sum += r.Offset + r.Step
	}
	return sum + d.Channels[0].ForceI[0].Gain*rating + 1e-9
}

// openCurrent is what the open switches of a bench carry at most, A. A pin with no
// more is open: the part itself puts it where it stands, below ground or near its
// clamp supply, and no current is forced into it.
const openCurrent = 10e-9

// guardian is an observer of every operating point of a bench, looking for a
// pin beyond a rating.
type guardian struct {
	rec    *procedure.Record
	seat   *rehearsal.Seat
	margin margins
	points int
	broken string
}

func (g *guardian) watch(s rehearsal.Solved) {
	g.points++
	for _, p := range g.rec.Device.Pins {
		if why := g.check(p, s); why != "" && g.broken == "" {
			g.broken = fmt.Sprintf("pin %s: %s (%+v, paths %v)", p.Label(), why, s.Channels, s.Closed)
		}
	}
}

// spoiled reports whether a fault of that kind is at the pin.
func (g *guardian) spoiled(pin int, kinds ...string) bool {
	return slices.ContainsFunc(g.seat.Faults, func(f bench.UnitFault) bool {
		return slices.Contains(kinds, f.Kind) && (f.Pin == pin || f.Pin2 == pin)
	})
}

// afloat reports whether the die has lost its ground: no diode holds any pin then,
// and no current flows through one.
func (g *guardian) afloat() bool {
	return slices.ContainsFunc(g.rec.Device.PinsOf(dut.Ground), func(n int) bool { return g.spoiled(n, model.OpenBond, model.ContactResistance) })
}

// check holds one pin against its ratings. A diode that conducts within the pin's
// current holds it: to ground where the rating says that there is one, and to its
// clamp supply. What is soldered together has no voltage of its own, and a pin
// without a bond none at all: of those only the current counts. What leaks to
// ground is above a clamp supply that the rest of the part pulls below it.
func (g *guardian) check(p dut.Pin, s rehearsal.Solved) string {
	at := s.Pins[p.Number]
	mostI := p.MaxI + g.margin.amps(&g.rec.Bench, p.MaxI)
	if math.Abs(at.I) > mostI {
		return fmt.Sprintf("%.6g A, maximum %g A", at.I, p.MaxI)
	}
	if p.Function == dut.Ground || g.spoiled(p.Number, model.OpenBond, model.PinsShorted) {
		return ""
	}
	margin := g.margin.volts + g.margin.ohms*(math.Abs(at.I)+math.Abs(s.Pins[p.Clamp].I)) // no pin 0: none
	if at.V > p.MaxV+margin {
		return fmt.Sprintf("%.6g V, maximum %g V", at.V, p.MaxV)
	}
	open := math.Abs(at.I) < openCurrent
	if held := p.MinV >= -1 && (at.I < 0 || open || at.V > -1) || g.afloat(); at.V < p.MinV-margin && !held {
		return fmt.Sprintf("%.6g V, minimum %g V, at %.3g A", at.V, p.MinV, at.I)
	}
	if p.Clamp == 0 || p.Clamp == p.Number || g.spoiled(p.Number, model.LeakyPin) || g.spoiled(p.Clamp, model.OpenBond, model.PinsShorted, model.ContactResistance) {
		return ""
	}
	supply := s.Pins[p.Clamp].V
	conducts := at.I > 0 || open && at.V < supply+1
	if at.V > supply+p.AboveClamp+margin && !conducts {
		return fmt.Sprintf("%.6g V above its clamp supply at %.6g V by more than %g V, at %.3g A", at.V, supply, p.AboveClamp, at.I)
	}
	return ""
}

// stopping cancels a run at one of the calls to its link.
type stopping struct {
	bench.Link
	left atomic.Int64
	stop func()
}

func (l *stopping) count() {
	if l.left.Add(-1) == 0 {
		l.stop()
	}
}

func (l *stopping) Set(ctx context.Context, ch bench.ChannelID, s bench.Setup) error {
	l.count()
	return l.Link.Set(ctx, ch, s)
}

func (l *stopping) Output(ctx context.Context, ch bench.ChannelID, on bool) error {
	l.count()
	return l.Link.Output(ctx, ch, on)
}

func (l *stopping) Close(ctx context.Context, paths []bench.PathID) error {
	l.count()
	return l.Link.Close(ctx, paths)
}

func (l *stopping) Read(ctx context.Context, chs []bench.ChannelID, a time.Duration, dst []bench.Sample) ([]bench.Sample, error) {
	l.count()
	return l.Link.Read(ctx, chs, a, dst)
}

// passes reports whether a drawn procedure passes. The warnings of what may come
// through the part count too, and for a unit with a fault those of what it
// may do: who acknowledges them has been told.
func passes(rec *procedure.Record, seat *rehearsal.Seat) bool {
	r := procedure.PrePower(procedure.CheckInput{Device: &rec.Device, Procedure: &rec.Procedure, PinMap: &rec.PinMap, Bench: &rec.Bench})
	return !slices.ContainsFunc(r.Findings, func(f procedure.Finding) bool {
		return f.Severity == procedure.SeverityError || f.Code == procedure.CodeThrough || len(seat.Faults) > 0 && f.Code == procedure.CodeReturnCurrent
	})
}

// carryOut runs a case and says what a rating was exceeded by, or what failed.
func carryOut(t *testing.T, seed uint64, rec *procedure.Record, seat rehearsal.Seat) (*guardian, error) {
	g := &guardian{rec: rec, seat: &seat, margin: marginsOf(&rec.Bench)}
	clock := bench.NewCountingClock(year)
	b, err := rehearsal.New(rehearsal.Config{Definition: rec.Bench, Clock: clock, Seed: seed, Seat: seat, OnSolve: g.watch})
	if err != nil {
		return g, err
	}
	ctx, cancel := context.WithCancelCause(t.Context())
	defer cancel(nil)
	link := &stopping{Link: b, stop: func() { cancel(&Halt{procedure.Stopped, "by the test"}) }}
	if seed%3 == 0 {
		link.left.Store(int64(1 + seed/3%97))
	}
	_, err = (&Runner{Link: link, Clock: clock, Recorder: &nothing{}}).Run(ctx, rec)
	return g, err
}

// TestNoRatingIsExceeded: no procedure that passes the check before power takes
// any pin beyond a rating on the rehearsal bench, at any moment: while paths
// move, supplies ramp, levels change, and when it is stopped anywhere.
func TestNoRatingIsExceeded(t *testing.T) {
	def := rehearsal.DefaultBench()
	var next, passed, points, faulty atomic.Int64
	want := int64(*procedures)
	if raced {
		want = min(want, 100)
	}
	var kinds sync.Map
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for passed.Load() < want && !t.Failed() {
				seed := *seed + uint64(next.Add(1))
				rec, seat := draw(seed, &def)
				if !passes(rec, &seat) {
					continue
				}
				passed.Add(1)
				if len(seat.Faults) > 0 {
					faulty.Add(1)
				}
				g, err := carryOut(t, seed, rec, seat)
				points.Add(int64(g.points))
				for _, m := range rec.Procedure.Measurements {
					n, _ := kinds.LoadOrStore(m.Kind, new(atomic.Int64))
					n.(*atomic.Int64).Add(1)
				}
				if g.broken != "" {
					t.Errorf("case %d: %s\n%s", seed, g.broken, described(rec, &seat))
				} else if err != nil {
					t.Errorf("case %d: %v\n%s", seed, err, described(rec, &seat))
				}
			}
		})
	}
	wg.Wait()
	t.Logf("%d of %d drawn procedures passed, %d of them on faulty units; %d operating points", passed.Load(), next.Load(), faulty.Load(), points.Load())
	kinds.Range(func(k, n any) bool { t.Logf("  %s: %d", k, n.(*atomic.Int64).Load()); return true })
}

func described(rec *procedure.Record, seat *rehearsal.Seat) string {
	body, err := rec.Procedure.Canonical()
	out := fmt.Sprintf("%s, faults %+v\n%s %v", rec.Device.Key, seat.Faults, body, err)
	for _, p := range rec.Device.Pins {
		out += fmt.Sprintf("\n%+v", p)
	}
	return out + fmt.Sprintf("\n%+v\n%+v", rec.Device.Power, rec.PinMap)
}

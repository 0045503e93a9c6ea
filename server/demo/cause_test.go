package demo

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/cause"
	"ohmkeep/server/check"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/rehearsal/model"
	"ohmkeep/server/run"
)

var hiddenFrom = flag.Uint64("hiddenfrom", 0, "how many seeds of benches and units are passed over by -hiddenfaults")

var hiddenFaults = flag.Int("hiddenfaults", 8, "runs of the demonstration's device with one hidden fault, and half as many sound ones, whose cause is looked for")

// hiddenFault is a fault of bench or part with what must be said of it.
type hiddenFault struct {
	drawn bool // still to be drawn
	bench []bench.BenchFault
	unit  []bench.UnitFault
	kind  check.Kind
	named func(*cause.Cause) bool // beside its kind
}

// drawHidden draws a fault of any kind, each kind as likely, among those that touch
// what the run uses: what it does not use cannot be told from its results.
func drawHidden(rng *rand.Rand, def *bench.Definition, pm *bench.PinMap, use *procedure.BenchUse) hiddenFault {
	ofBench := func(f bench.BenchFault, kind check.Kind, named func(*cause.Cause) bool) hiddenFault {
		return hiddenFault{bench: []bench.BenchFault{f}, kind: kind, named: named}
	}
	ofUnit := func(f bench.UnitFault, kind check.Kind, pins ...int) hiddenFault {
		slices.Sort(pins)
		return hiddenFault{unit: []bench.UnitFault{f}, kind: kind, named: func(c *cause.Cause) bool { return slices.Equal(c.Pins, pins) }}
	}
	path := func(is func(*bench.Path) bool) *bench.Path {
		for {
			if p := &def.Paths[rng.IntN(len(def.Paths))]; is(p) {
				return p
			}
		}
	}
	ofPath := func(p *bench.Path) func(*cause.Cause) bool {
		return func(c *cause.Cause) bool { return slices.Equal(c.Paths, []bench.PathID{p.ID}) }
	}
	log := func(from, to float64) float64 { return from * math.Pow(to/from, rng.Float64()) }
	pin, pin2 := 1+rng.IntN(len(pm.Contacts)), 1+rng.IntN(len(pm.Contacts)-1)
	if pin2 >= pin {
		pin2++
	}
	switch rng.IntN(9) {
	case 0:
		p := path(func(p *bench.Path) bool { return use.Contacts[p.Contact] })
		return ofBench(bench.BenchFault{Kind: rehearsal.EnableFloating, Mux: p.Mux}, check.EnableFloats, func(c *cause.Cause) bool { return c.Mux == p.Mux })
	case 1:
		p := path(func(p *bench.Path) bool { return use.Paths[p.ID] })
		return ofBench(bench.BenchFault{Kind: rehearsal.StuckOpen, Path: p.ID}, check.StuckOpen, ofPath(p))
	case 2:
		p := path(func(p *bench.Path) bool { return use.Contacts[p.Contact] })
		return ofBench(bench.BenchFault{Kind: rehearsal.StuckClosed, Path: p.ID}, check.StuckClosed, ofPath(p))
	case 3:
		for {
			ch := def.Channels[rng.IntN(len(def.Channels))].ID
			if use.Channels[ch] {
				by := float64(1-2*rng.IntN(2)) * (0.005 + 0.045*rng.Float64())
				return ofBench(bench.BenchFault{Kind: rehearsal.GainDrift, Channel: ch, Value: by}, check.ChannelDisagrees,
					func(c *cause.Cause) bool { return slices.Equal(c.Channels, []bench.ChannelID{ch}) })
			}
		}
	case 4:
		for {
			a, b := 1+rng.IntN(def.Contacts), 1+rng.IntN(def.Contacts)
			if a != b && (use.Contacts[a] || use.Contacts[b]) {
				var seated []int
				for _, c := range []int{min(a, b), max(a, b)} {
					if use.Contacts[c] {
						seated = append(seated, c)
					}
				}
				return ofBench(bench.BenchFault{Kind: rehearsal.SwappedContacts, Contact: a, Contact2: b}, check.WrongContact,
					func(c *cause.Cause) bool { return slices.Equal(c.Contacts, seated) })
			}
		}
	case 5:
		c := pm.Contacts[pin]
		return ofBench(bench.BenchFault{Kind: rehearsal.ContactResistance, Contact: c, Value: 5 + 95*rng.Float64()}, check.PoorContact,
			func(x *cause.Cause) bool { return slices.Equal(x.Contacts, []int{c}) })
	case 6:
		return ofUnit(bench.UnitFault{Kind: model.OpenBond, Pin: pin}, cause.OpenBond, pin)
	case 7:
		return ofUnit(bench.UnitFault{Kind: model.PinsShorted, Pin: pin, Pin2: pin2, Value: log(1, 100)}, cause.Shorted, pin, pin2)
	default:
		return ofUnit(bench.UnitFault{Kind: model.LeakyPin, Pin: pin, Value: log(100e3, 10e6)}, cause.LeakyPin, pin)
	}
}

// diagnosed carries out the characterisation with a fault, and tells what is said of it.
func diagnosed(t *testing.T, seed uint64, h *hiddenFault) *cause.Diagnosis {
	t.Helper()
	s, def := Scenario(), rehearsal.DefaultBench()
	p := *s.procedure(t, LotProcedure)
	d, pm := s.device(t, p.Device), *s.pinMap(t, p.Device)
	use := procedure.BenchUseOf(&procedure.Record{Device: *d, Procedure: p, PinMap: pm, Bench: def})
	if h.drawn {
		*h = drawHidden(rand.New(rand.NewPCG(seed, 2)), &def, &pm, use)
	}
	clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
	b, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: seed, Faults: h.bench,
		Seat: rehearsal.Seat{Model: d.Model, Seed: seed, Faults: h.unit, PinMap: pm}})
	if err != nil {
		t.Fatal(err)
	}
	keep := run.NewMemory(0)
	_, err = (&run.Runner{Link: b, Clock: clock, Recorder: keep}).Run(t.Context(), &procedure.Record{
		Device: *d, Procedure: p, PinMap: pm, Bench: def, Unit: dut.Unit{Serial: "hidden"}, Rehearsal: true})
	if err != nil {
		t.Fatalf("seed %d, %+v: %v", seed, h, err)
	}
	held := keep.Held()
	return cause.Diagnose(&held.Record, held.Results, cause.Told{})
}

// confusion counts what was named for each kind of fault.
type confusion map[[2]string]int

func (c confusion) String() string {
	var rows, columns []string
	for k := range c {
		if !slices.Contains(rows, k[0]) {
			rows = append(rows, k[0])
		}
		if !slices.Contains(columns, k[1]) {
			columns = append(columns, k[1])
		}
	}
	slices.Sort(rows)
	slices.Sort(columns)
	var out strings.Builder
	for _, r := range rows {
		fmt.Fprintf(&out, "\n  %-18s", r)
		for _, x := range columns {
			if n := c[[2]string{r, x}]; n > 0 {
				fmt.Fprintf(&out, "  %s %d", x, n)
			}
		}
	}
	return out.String()
}

// What the run alone has to tell of faults that leave a finding, less three times what
// the count scatters by. The aim is 80 % and 60 % of all faults that touch the run,
// whether they leave a finding or not; a drift of a channel leaves none here, since the
// channel that forces a current reads it by the same amplifier, and an open bond cannot
// be told from a wire that leads to an empty contact.
const (
	leastSide   = 0.7
	leastPlace  = 0.55
	mostAlarms  = 0.005
	sureOfSides = 0.9 // where the program says 90 % or more, it must be right as often
)

// fewerThan reports whether so many of n are fewer than a share, beyond their scatter.
func fewerThan(some, n int, share float64) bool {
	return float64(some) < float64(n)*share-sureOfCounts*math.Sqrt(float64(n)*share*(1-share))
}

// TestHiddenFaultIsNamed carries out the demonstration's characterisation with one
// hidden fault each, drawn from all kinds of bench and part, over benches and units
// drawn anew, and holds what is said from the run alone against what was ordered. A
// fault without a finding counts as not named.
func TestHiddenFaultIsNamed(t *testing.T) {
	t.Parallel()
	n := *hiddenFaults
	if testing.Short() {
		n = 2
	}
	side, place, silent := 0, 0, 0
	table := confusion{}
	sure, sureRight := 0, 0
	for k := range n {
		h := hiddenFault{drawn: true}
		d := diagnosed(t, 20000+*hiddenFrom+uint64(k), &h)
		what := string(h.kind)
		if d == nil {
			silent++
			table[[2]string{what, "(silent)"}]++
			continue
		}
		top := &d.Causes[0]
		if (d.Bench > 0.5) == (len(h.bench) > 0) {
			side++
		}
		if p := max(d.Bench, 1-d.Bench); p >= 0.9 {
			sure++
			if (d.Bench > 0.5) == (len(h.bench) > 0) {
				sureRight++
			}
		}
		right := top.Kind == h.kind && h.named(top)
		if right {
			place++
		}
		word := string(top.Kind)
		if right {
			word = "(right)"
		} else if top.Kind == h.kind {
			word = "(elsewhere)"
		}
		table[[2]string{what, word}]++
		if !right {
			t.Logf("seed %d: %+v %+v: said %.2f %s; %d of %d findings", 20000+*hiddenFrom+uint64(k), h.bench, h.unit, top.Probability, top.Said, d.Findings, d.Results)
		}
	}
	t.Logf("%d runs with one hidden fault: part or bench right %.1f %%, place and kind right %.1f %%, without a finding %.1f %%; "+
		"of those with a finding %.1f %% and %.1f %%; part or bench at 90 %% or more: %d, right %d:%s",
		n, 100*float64(side)/float64(n), 100*float64(place)/float64(n), 100*float64(silent)/float64(n),
		100*float64(side)/float64(max(1, n-silent)), 100*float64(place)/float64(max(1, n-silent)), sure, sureRight, table)
	if seen := n - silent; fewerThan(side, seen, leastSide) || fewerThan(place, seen, leastPlace) || fewerThan(sureRight, sure, sureOfSides) {
		t.Errorf("of %d faults with a finding: part or bench of %d right, place and kind of %d; of %d said with 90 %% %d right", seen, side, place, sure, sureRight)
	}
}

// TestSoundRunsSayNothing does so without a fault: no cause is named.
func TestSoundRunsSayNothing(t *testing.T) {
	t.Parallel()
	n, alarms := *hiddenFaults/2, 0
	if testing.Short() {
		n = 1
	}
	for k := range n {
		if d := diagnosed(t, 60000+*hiddenFrom+uint64(k), &hiddenFault{}); d != nil {
			alarms++
			t.Logf("seed %d: %d of %d findings: %s %q", 60000+*hiddenFrom+uint64(k), d.Findings, d.Results, d.Causes[0].Said, d.Unlike)
		}
	}
	t.Logf("%d sound runs: %d false alarms (%.2f %%)", n, alarms, 100*float64(alarms)/float64(n))
	if fewerThan(n-alarms, n, 1-mostAlarms) {
		t.Errorf("%d of %d sound runs have a finding", alarms, n)
	}
}

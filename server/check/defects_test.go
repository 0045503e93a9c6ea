package check_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/rehearsal"
)

// spoiled carries a step out on a sound small bench whose readings a defect changes.
func spoiled(t *testing.T, def *bench.Definition, s check.Step, before *check.Record, tamper func(*guard, *bench.Sample)) check.StepResult {
	t.Helper()
	info, _ := check.InfoOf(s)
	clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
	b, err := rehearsal.New(rehearsal.Config{Definition: *def, Clock: clock, Seed: 31, Seat: rehearsal.Seat{Model: info.Model, Seed: 31, PinMap: straight(def)}})
	if err != nil {
		t.Fatal(err)
	}
	g := guarded(b, def)
	g.tamper = tamper
	got, err := check.Run(t.Context(), check.Rig{Link: g, Clock: clock, Def: def, Before: before}, s)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// onlyFault is the one fault that a step found; it fails the test where there is
// none or more than one.
func onlyFault(t *testing.T, got check.StepResult) check.Finding {
	t.Helper()
	faults := slices.DeleteFunc(slices.Clone(got.Findings), func(f check.Finding) bool { return !f.Fault })
	if len(faults) != 1 {
		t.Fatalf("%s: %d faults: %+v", got.Step, len(faults), faults)
	}
	if faults[0].Said == "" || faults[0].Do == "" {
		t.Errorf("%s: %+v says nothing, or not what to do", got.Step, faults[0])
	}
	return faults[0]
}

// TestOffsetOfAChannel: a voltage that one channel reads too high at every level is
// found, with its channel, its amount and its sign.
func TestOffsetOfAChannel(t *testing.T) {
	t.Parallel()
	def := smallBench(5)
	for _, c := range []struct {
		off  float64 // V
		said string
	}{{0.03, "30 mV too much"}, {-0.03, "30 mV too little"}} {
		got := spoiled(t, &def, check.Channels, nil, func(_ *guard, s *bench.Sample) {
			if s.Channel == 3 {
				s.V += c.off
			}
		})
		f := onlyFault(t, got)
		if f.Kind != check.ChannelDisagrees || !slices.Equal(f.Channels, []bench.ChannelID{3}) || !strings.Contains(f.Said, "Channel 2A") || !strings.Contains(f.Said, c.said) {
			t.Errorf("%g V: %+v", c.off, f)
		}
		if !slices.ContainsFunc(got.Channels, func(d check.Difference) bool {
			return d.Channel == 3 && d.Unit == "V" && math.Abs(d.Offset-c.off*3/4) < 2e-3 // of the mean of four
		}) {
			t.Errorf("%g V: %+v", c.off, got.Channels)
		}
	}
}

// TestGainOfVoltage: a gain of the voltage that has drifted is said as a part of the
// value, in each range that it spoils.
func TestGainOfVoltage(t *testing.T) {
	t.Parallel()
	def := smallBench(5)
	f := onlyFault(t, spoiled(t, &def, check.Channels, nil, func(_ *guard, s *bench.Sample) {
		if s.Channel == 4 {
			s.V *= 0.98
		}
	}))
	if f.Kind != check.ChannelDisagrees || !slices.Equal(f.Channels, []bench.ChannelID{4}) || !strings.Contains(f.Said, "2 % too little in its ranges ±2.00 V and ±10.0 V") {
		t.Errorf("%+v", f)
	}
}

// TestTwoChannelsAlone: of two channels that disagree, nobody can say which errs,
// and it is said so.
func TestTwoChannelsAlone(t *testing.T) {
	t.Parallel()
	def := smallBench(5)
	keepLines(&def, 0, 1, 2)
	f := onlyFault(t, spoiled(t, &def, check.Channels, nil, func(_ *guard, s *bench.Sample) {
		if s.Channel == 2 {
			s.V *= 1.03
		}
	}))
	if f.Kind != check.ChannelDisagrees || !slices.Equal(f.Channels, []bench.ChannelID{1, 2}) || !strings.Contains(f.Said, "cannot be told from them alone") || !strings.Contains(f.Do, "third channel") {
		t.Errorf("%+v", f)
	}
}

// TestOwnLevel: a channel that senses another voltage than it forces itself is found
// although no other channel is needed to see it.
func TestOwnLevel(t *testing.T) {
	t.Parallel()
	def := smallBench(5)
	got := spoiled(t, &def, check.Channels, nil, func(g *guard, s *bench.Sample) {
		if s.Channel == 1 && g.set[1].Mode == bench.ForceVoltage && g.set[1].Level > 5 {
			s.V -= 0.5
		}
	})
	if !slices.ContainsFunc(got.Findings, func(f check.Finding) bool {
		return f.Fault && slices.Equal(f.Channels, []bench.ChannelID{1}) && strings.Contains(f.Said, "where it forces 9.0000 V itself: 500 mV apart")
	}) {
		t.Errorf("%+v", got.Findings)
	}
}

// TestCardsOfTwoMakes: channels that reach 0.5 V are held against those that reach
// 10 V as far as all go, and nothing is asked of them beyond it.
func TestCardsOfTwoMakes(t *testing.T) {
	t.Parallel()
	def := smallBench(5)
	for i := range def.Channels[:2] {
		ch := &def.Channels[2*i]
		ch.ForceV, ch.SenseV = slices.Clone(ch.ForceV[:1]), slices.Clone(ch.SenseV[:1])
		ch.ForceV[0].FullScale, ch.SenseV[0].FullScale = 0.5, 0.5
	}
	if got := spoiled(t, &def, check.Channels, nil, nil); !got.OK() {
		t.Errorf("sound: %+v", got.Findings)
	}
	ranges := map[bench.ChannelID][]float64{}
	got := spoiled(t, &def, check.Channels, nil, func(_ *guard, s *bench.Sample) {
		if s.Channel == 4 {
			s.V *= 1.05
		}
	})
	for _, d := range got.Channels {
		if d.Unit == "V" {
			ranges[d.Channel] = append(ranges[d.Channel], d.FullScale)
		}
	}
	if !slices.Equal(ranges[1], []float64{0.5}) || !slices.Equal(ranges[2], []float64{0.5, 2, 10}) {
		t.Errorf("compared in %v", ranges)
	}
	f := onlyFault(t, got)
	if !slices.Equal(f.Channels, []bench.ChannelID{4}) || !strings.Contains(f.Said, "±500 mV") { // in the other ranges two alone are compared
		t.Errorf("%+v", f)
	}
}

// TestSenseWireOpen: a Kelvin path whose sense wire is off has its channel read its
// own output: the path is named and the drop is not taken for its resistance.
func TestSenseWireOpen(t *testing.T) {
	t.Parallel()
	def := smallBench(5)
	f := onlyFault(t, spoiled(t, &def, check.Empty, nil, func(g *guard, s *bench.Sample) {
		if s.Channel == 3 && g.set[3].Remote && g.joined(3, 2) != nil {
			s.V += s.I * 4.5 // what drops on path and output
		}
	}))
	if f.Kind != check.StuckOpen || !slices.Equal(f.Contacts, []int{2}) || !slices.Equal(f.Channels, []bench.ChannelID{3}) || !strings.Contains(f.Said, "sense wire of path 2A:2") {
		t.Errorf("%+v", f)
	}
}

// TestPathOutOfTolerance: a path that has more, or less, than is stated is named with
// what it has, and its neighbours are not.
func TestPathOutOfTolerance(t *testing.T) {
	t.Parallel()
	for _, more := range []float64{3, -2} { // Ω
		def := smallBench(5)
		got := spoiled(t, &def, check.Empty, nil, func(g *guard, s *bench.Sample) {
			if s.Channel == 2 && g.joined(2, 4) != nil && g.set[2].Mode == bench.ForceCurrent {
				s.V += s.I * more
			}
		})
		f := onlyFault(t, got)
		p := g24(&def)
		if f.Kind != check.PathResistance || !slices.Equal(f.Paths, []bench.PathID{p.ID}) || !strings.Contains(f.Said, "Path 1B:4 has ") {
			t.Errorf("%+v", f)
		}
		for _, v := range got.Paths {
			if v.Path == p.ID && math.Abs(v.Ohms-4.5-more) > 0.5+v.U {
				t.Errorf("%g Ω more: %+v", more, v)
			}
		}
	}
}

// g24 is the path of channel 1B to contact 4.
func g24(def *bench.Definition) *bench.Path {
	i := slices.IndexFunc(def.Paths, func(p bench.Path) bool { return p.Channel == 2 && p.Contact == 4 })
	return &def.Paths[i]
}

// TestLeakyContact: what leaks at one contact to everything else is told from a switch
// that conducts, and no leakage is kept of it.
func TestLeakyContact(t *testing.T) {
	t.Parallel()
	const leak = 20e-9 // S: a board that is dirty, 50 MΩ
	def := smallBench(5)
	got := spoiled(t, &def, check.Empty, nil, func(g *guard, s *bench.Sample) {
		held := g.joined(0, 1) != nil || g.joined(0, 2) != nil // other contacts are at 0 V
		if s.Channel == 1 && g.joined(1, 3) != nil && held && g.set[1].Mode == bench.ForceVoltage && math.Abs(s.V) > 3 {
			s.I += s.V * leak
		}
	})
	f := onlyFault(t, got)
	if f.Kind != check.LeakyContact || !slices.Equal(f.Contacts, []int{3}) || !strings.Contains(f.Said, "49.9 MΩ") {
		t.Errorf("%+v", f)
	}
	if slices.ContainsFunc(got.Leakages, func(v check.ContactValue) bool { return v.Contact == 3 }) || len(got.Leakages) != 4 {
		t.Errorf("leakages kept: %+v", got.Leakages)
	}
	// A later step neither measures by that contact nor names it again.
	rec := &check.Record{}
	rec.Put(got)
	plug := spoiled(t, &def, check.Plug, rec, nil)
	if !plug.OK() || slices.ContainsFunc(plug.Contacts, func(v check.ContactValue) bool { return v.Contact == 3 }) {
		t.Errorf("plug: %+v, %+v", plug.Findings, plug.Contacts)
	}
}

// TestTwoFaults: of two faults at once each is named, in the step that sees it, and
// no third one by their consequences.
func TestTwoFaults(t *testing.T) {
	t.Parallel()
	def := smallBench(12)
	at := func(ch bench.ChannelID, c int) bench.PathID {
		return def.Paths[slices.IndexFunc(def.Paths, func(p bench.Path) bool { return p.Channel == ch && p.Contact == c })].ID
	}
	for name, c := range map[string]struct {
		faults []bench.BenchFault
		want   []string // kind, and the place
	}{
		"two switches of one channel":   {[]bench.BenchFault{{Kind: rehearsal.StuckOpen, Path: at(1, 2)}, {Kind: rehearsal.StuckOpen, Path: at(1, 5)}}, []string{"stuck-open 1A:2", "stuck-open 1A:5"}},
		"a return and a channel":        {[]bench.BenchFault{{Kind: rehearsal.StuckOpen, Path: at(0, 3)}, {Kind: rehearsal.StuckOpen, Path: at(4, 5)}}, []string{"stuck-open return:3", "stuck-open 2B:5"}},
		"a switch and a poor contact":   {[]bench.BenchFault{{Kind: rehearsal.StuckOpen, Path: at(2, 1)}, {Kind: rehearsal.ContactResistance, Contact: 4, Value: 12}}, []string{"stuck-open 1B:1", "poor-contact 4"}},
		"two poor contacts":             {[]bench.BenchFault{{Kind: rehearsal.ContactResistance, Contact: 2, Value: 8}, {Kind: rehearsal.ContactResistance, Contact: 6, Value: 30}}, []string{"poor-contact 2", "poor-contact 6"}},
		"drift and exchanged contacts":  {[]bench.BenchFault{{Kind: rehearsal.GainDrift, Channel: 3, Value: 0.03}, {Kind: rehearsal.SwappedContacts, Contact: 1, Contact2: 4}}, []string{"channel-disagrees 3", "wrong-contact 1"}},
		"stuck closed and a dead one":   {[]bench.BenchFault{{Kind: rehearsal.StuckClosed, Path: at(2, 2)}, {Kind: rehearsal.ContactResistance, Contact: 5, Value: 1e9}}, []string{"stuck-closed 1B:2", "open-contact 5"}},
		"exchanged, one of them poor":   {[]bench.BenchFault{{Kind: rehearsal.SwappedContacts, Contact: 2, Contact2: 3}, {Kind: rehearsal.ContactResistance, Contact: 2, Value: 20}}, []string{"wrong-contact 2", "poor-contact 3"}},
		"a floating enable and a drift": {[]bench.BenchFault{{Kind: rehearsal.EnableFloating, Mux: "2B/a"}, {Kind: rehearsal.GainDrift, Channel: 1, Value: -0.04}}, []string{"enable-floats 2B/a", "channel-disagrees 1"}},
	} {
		t.Run(name, func(t *testing.T) {
			rec := &check.Record{}
			for _, info := range check.Steps() {
				got := stepOn(t, def, rehearsal.ServedWorld(), 41, info.Model, c.faults, info.Step, rec)
				rec.Put(got)
			}
			var said []string
			for _, s := range rec.Steps {
				for i := range s.Findings {
					if f := &s.Findings[i]; f.Fault {
						said = append(said, placeOf(&def, f))
					}
				}
			}
			slices.Sort(said)
			slices.Sort(c.want)
			if said = slices.Compact(said); !slices.Equal(said, c.want) {
				t.Errorf("said %q, not %q: %+v", said, c.want, rec.Steps)
			}
		})
	}
}

// placeOf is a finding's kind and what it is about, in short.
func placeOf(def *bench.Definition, f *check.Finding) string {
	switch f.Kind {
	case check.EnableFloats:
		return string(f.Kind) + " " + f.Mux
	case check.StuckOpen, check.StuckClosed, check.PathResistance:
		p, _ := def.PathByID(f.Paths[0])
		return string(f.Kind) + " " + p.Address
	case check.ChannelDisagrees:
		return string(f.Kind) + " " + string(rune('0'+f.Channels[0]))
	case check.OtherSocket:
		return string(f.Kind)
	}
	return string(f.Kind) + " " + string(rune('0'+f.Contacts[0]))
}

// TestPlugWithoutPins: a plug that has no pins at many contacts spoils nothing and is
// said as what it may be; a few that touch nothing are faults.
func TestPlugWithoutPins(t *testing.T) {
	t.Parallel()
	def := smallBench(12)
	dead := func(contacts ...int) (out []bench.BenchFault) {
		for _, c := range contacts {
			out = append(out, bench.BenchFault{Kind: rehearsal.ContactResistance, Contact: c, Value: 1e11})
		}
		return out
	}
	got := stepOn(t, def, rehearsal.ServedWorld(), 5, "shorting-plug", dead(8, 9, 10, 11, 12), check.Plug, nil)
	if !got.OK() || len(got.Findings) != 1 || got.Findings[0].Kind != check.NotMeasured || !slices.Equal(got.Findings[0].Contacts, []int{8, 9, 10, 11, 12}) {
		t.Errorf("five: %+v", got.Findings)
	}
	if len(got.Contacts) != 7 {
		t.Errorf("five: %d contacts are kept", len(got.Contacts))
	}
	got = stepOn(t, def, rehearsal.ServedWorld(), 5, "shorting-plug", dead(2, 12), check.Plug, nil)
	var open []int
	for _, f := range got.Findings {
		if f.Kind == check.OpenContact && f.Fault {
			open = append(open, f.Contacts...)
		}
	}
	if !slices.Equal(open, []int{2, 12}) || len(got.Contacts) != 10 {
		t.Errorf("two: %+v, %d kept", got.Findings, len(got.Contacts))
	}
}

// TestProgress: the count of readings goes up by one and never beyond what is said
// to be needed.
func TestProgress(t *testing.T) {
	t.Parallel()
	def := smallBench(6)
	for _, info := range check.Steps() {
		clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
		b, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: 2, Seat: rehearsal.Seat{Model: info.Model, PinMap: straight(&def)}})
		if err != nil {
			t.Fatal(err)
		}
		last, calls := 0, 0
		got, err := check.Run(t.Context(), check.Rig{Link: b, Clock: clock, Def: &def, Progress: func(done, of int) {
			if done < last || done > last+1 || done > of || of <= 0 {
				t.Errorf("%s: %d of %d after %d", info.Step, done, of, last)
			}
			last, calls = done, calls+1
		}}, info.Step)
		if err != nil || calls != got.Readings {
			t.Errorf("%s: %v; told %d times of %d readings", info.Step, err, calls, got.Readings)
		}
		if took := clock.Now().Sub(got.Began).Seconds(); math.Abs(took-got.Took) > 1e-9 || took <= 0 || !got.Ended.Equal(clock.Now()) {
			t.Errorf("%s: took %g s, and says %g s", info.Step, took, got.Took)
		}
	}
}

// TestPoorContactIsMeasured orders resistances between a contact and its pin over
// seven decades: what is said of it holds the truth within its interval and the
// 0.1 Ω of the path and the pin, and from 10 MΩ on the contact touches nothing.
func TestPoorContactIsMeasured(t *testing.T) {
	t.Parallel()
	def := smallBench(9)
	sound := stepOn(t, def, rehearsal.ServedWorld(), 41, "shorting-plug", nil, check.Plug, nil)
	for _, c := range []int{1, 6, 9} { // the ends of the socket are where others are measured by
		if testing.Short() && c != 9 {
			continue
		}
		for _, ohms := range []float64{1, 10, 100, 1e3, 10e3, 50e3, 100e3, 10e6, 1e9, 1e12} {
			got := stepOn(t, def, rehearsal.ServedWorld(), 41, "shorting-plug",
				[]bench.BenchFault{{Kind: rehearsal.ContactResistance, Contact: c, Value: ohms}}, check.Plug, nil)
			f := onlyFault(t, got)
			want := check.PoorContact
			if ohms > 1e6 {
				want = check.OpenContact
			}
			if f.Kind != want || !slices.Equal(f.Contacts, []int{c}) {
				t.Errorf("contact %d, %g Ω: %s: %s", c, ohms, f.Kind, f.Said)
			}
			for _, v := range got.Contacts {
				really := sound.Contacts[v.Contact-1].Value
				if v.Contact == c {
					really += ohms
				}
				if math.Abs(v.Value-really) > v.U+0.1 {
					t.Errorf("contact %d of %g Ω: contact %d is said to have %g ± %g Ω", c, ohms, v.Contact, v.Value, v.U)
				}
			}
			if len(got.Contacts) != 9 && want == check.PoorContact || len(got.Contacts) != 8 && want == check.OpenContact {
				t.Errorf("contact %d, %g Ω: %d contacts are kept", c, ohms, len(got.Contacts))
			}
		}
	}
}

// TestNumbersBesideOpenContacts: contacts that touch nothing, wherever they are, take
// no number away from the others.
func TestNumbersBesideOpenContacts(t *testing.T) {
	t.Parallel()
	def := smallBench(9)
	for _, c := range []int{1, 4, 9} {
		got := stepOn(t, def, rehearsal.ServedWorld(), 43, "numbered-plug",
			[]bench.BenchFault{{Kind: rehearsal.ContactResistance, Contact: c, Value: 1e9}}, check.Numbers, nil)
		if f := onlyFault(t, got); f.Kind != check.OpenContact || !slices.Equal(f.Contacts, []int{c}) {
			t.Errorf("contact %d: %s: %s", c, f.Kind, f.Said)
		}
	}
	// Two wires are exchanged at the end that others are measured by.
	got := stepOn(t, def, rehearsal.ServedWorld(), 43, "numbered-plug",
		[]bench.BenchFault{{Kind: rehearsal.SwappedContacts, Contact: 1, Contact2: 9}}, check.Numbers, nil)
	if f := onlyFault(t, got); f.Kind != check.WrongContact || !slices.Equal(f.Contacts, []int{1, 9}) {
		t.Errorf("%s: %s", f.Kind, f.Said)
	}
}

// TestThreeWiresInACircle: where three wires lead to each other's contacts, each is
// said with the number that it leads to, and no pair is said to be exchanged.
func TestThreeWiresInACircle(t *testing.T) {
	t.Parallel()
	def := smallBench(16)
	got := stepOn(t, def, rehearsal.ServedWorld(), 44, "numbered-plug", []bench.BenchFault{
		{Kind: rehearsal.SwappedContacts, Contact: 3, Contact2: 7}, {Kind: rehearsal.SwappedContacts, Contact: 7, Contact2: 12},
	}, check.Numbers, nil)
	named := map[int]bool{}
	for _, f := range got.Findings {
		if f.Kind != check.WrongContact || len(f.Contacts) != 1 || strings.Contains(f.Said, "exchanged") {
			t.Errorf("%s of %v: %s", f.Kind, f.Contacts, f.Said)
		}
		named[f.Contacts[0]] = true
	}
	if len(named) != 3 || !named[3] || !named[7] || !named[12] {
		t.Errorf("named: %v", named)
	}
}

// TestAShortPlug: a plug with fewer pins than the socket has contacts is known for what
// it is, wherever its pins end.
func TestAShortPlug(t *testing.T) {
	t.Parallel()
	def := smallBench(16)
	for _, pins := range []int{5, 8, 14} {
		var faults []bench.BenchFault
		for c := pins + 1; c <= def.Contacts; c++ {
			faults = append(faults, bench.BenchFault{Kind: rehearsal.ContactResistance, Contact: c, Value: 1e12})
		}
		got := stepOn(t, def, rehearsal.ServedWorld(), 45, "shorting-plug", faults, check.Plug, nil)
		if len(got.Contacts) != pins {
			t.Errorf("%d pins: %d are kept: %+v", pins, len(got.Contacts), got.Findings)
		}
		for _, f := range got.Findings {
			if f.Fault != (f.Kind == check.OpenContact) || f.Kind == check.PoorContact || slices.Min(f.Contacts) <= pins {
				t.Errorf("%d pins: %s: %s", pins, f.Kind, f.Said)
			}
		}
	}
}

// TestPathsThatWereMeasuredNarrow: where a channel has to sense its own path with the
// contact, what the empty socket showed of that path stands in for what is stated,
// and the interval gets narrower and still holds.
func TestPathsThatWereMeasuredNarrow(t *testing.T) {
	t.Parallel()
	def := smallBench(8)
	keepLines(&def, 0, 1, 2)
	for i := range def.Channels {
		def.Channels[i].RemoteSense = false
	}
	for i := range def.Paths {
		def.Paths[i].Kelvin = false
	}
	rec := &check.Record{}
	rec.Put(stepOn(t, def, rehearsal.ServedWorld(), 46, "empty", nil, check.Empty, nil))
	stated := stepOn(t, def, rehearsal.ServedWorld(), 46, "shorting-plug", nil, check.Plug, nil)
	measured := stepOn(t, def, rehearsal.ServedWorld(), 46, "shorting-plug", nil, check.Plug, rec)
	if len(stated.Contacts) != 8 || len(measured.Contacts) != 8 || !stated.OK() || !measured.OK() {
		t.Fatalf("%d and %d contacts, %+v, %+v", len(stated.Contacts), len(measured.Contacts), stated.Findings, measured.Findings)
	}
	for i, v := range measured.Contacts {
		if wide := stated.Contacts[i]; v.U > wide.U/2 || math.Abs(v.Value-wide.Value) > wide.U+v.U {
			t.Errorf("contact %d: %g ± %g Ω by what was measured, %g ± %g Ω by what is stated", v.Contact, v.Value, v.U, wide.Value, wide.U)
		}
		// A pin has 20 mΩ, and an insertion changes that of each path by up to 20 mΩ.
		if math.Abs(v.Value-0.02) > 0.06+v.U {
			t.Errorf("contact %d: %g ± %g Ω", v.Contact, v.Value, v.U)
		}
	}
}

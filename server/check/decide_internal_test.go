package check

import (
	"context"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/quantity"
)

// pairsOf are the deviations of channels in one range, by what each errs: a part of
// the value, where each pair may differ by 0.001 of it.
func pairsOf(errs ...float64) []deviation {
	var out []deviation
	for a := range errs {
		for b := a + 1; b < len(errs); b++ {
			out = append(out, deviation{a: a, b: b, unit: quantity.Volt, fullScale: 2, gain: errs[a] - errs[b], most: 1e-3, mostOffset: 1e-3})
		}
	}
	return out
}

func TestTheOdd(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		pairs []deviation
		k     int
		some  bool
	}{
		"nothing compared":                {nil, -1, false},
		"two agree":                       {pairsOf(0, 5e-4), -1, false},
		"two disagree":                    {pairsOf(0, 5e-3), -1, true},
		"three agree":                     {pairsOf(0, 5e-4, -4e-4), -1, false},
		"the third errs":                  {pairsOf(0, 0, 5e-3), 2, true},
		"the first errs":                  {pairsOf(-5e-3, 0, 0, 1e-4), 0, true},
		"two of four err alike":           {pairsOf(0, 5e-3, 5e-3, 0), -1, true},
		"two of four err each way":        {pairsOf(0, 5e-3, -5e-3, 0), -1, true},
		"two may err, one is farther off": {pairsOf(0, 9e-4, 1.5e-3), 0, true},
		"two of four were compared":       {[]deviation{{a: 1, b: 3, gain: 1, most: 1e-3, mostOffset: 1}}, -1, true},
		"three of four were compared": {[]deviation{{a: 0, b: 2, gain: 0, most: 1e-3, mostOffset: 1},
			{a: 0, b: 3, gain: 5e-3, most: 1e-3, mostOffset: 1}, {a: 2, b: 3, gain: 5e-3, most: 1e-3, mostOffset: 1}}, 3, true},
		"an offset alone": {[]deviation{{a: 0, b: 1, off: 1e-4, most: 1, mostOffset: 1e-3}, {a: 0, b: 2, off: 5e-3, most: 1, mostOffset: 1e-3},
			{a: 1, b: 2, off: 5e-3, most: 1, mostOffset: 1e-3}}, 2, true},
	} {
		if k, some := theOdd(c.pairs); k != c.k || some != c.some {
			t.Errorf("%s: %d, %v; want %d, %v", name, k, some, c.k, c.some)
		}
	}
}

func TestFarthest(t *testing.T) {
	t.Parallel()
	pairs := pairsOf(0, 3e-3, -9e-3)
	if d := farthest(pairs, -1); d.a != 1 || d.b != 2 {
		t.Errorf("of all: %+v", d)
	}
	if d := farthest(pairs, 0); d.a != 0 || d.b != 2 {
		t.Errorf("of the first: %+v", d)
	}
	if d := farthest(pairs[:1], 2); d.fullScale != 0 {
		t.Errorf("of none: %+v", d)
	}
}

// TestDifferencesAddUp works each channel's error out of the pairs' differences and
// holds it to what the errors were made from.
func TestDifferencesAddUp(t *testing.T) {
	t.Parallel()
	channels := []*bench.Channel{{ID: 1}, {ID: 2}, {ID: 3}, {ID: 4}}
	errs := []float64{1e-3, -2e-3, 4e-3, -3e-3} // mean 0
	for _, d := range differences(channels, pairsOf(errs...)) {
		if math.Abs(d.Gain-errs[d.Channel-1]) > 1e-15 || d.Unit != "V" || d.FullScale != 2 {
			t.Errorf("%+v, not %g", d, errs[d.Channel-1])
		}
	}
	// Offsets of currents: each pair shows the sum of both, whatever their mean is.
	offs := []float64{5e-6, 1e-6, -2e-6, 7e-6}
	var pairs []deviation
	for a := range offs {
		for b := a + 1; b < len(offs); b++ {
			pairs = append(pairs, deviation{a: a, b: b, unit: quantity.Ampere, fullScale: 1e-3, off: offs[a] + offs[b], most: 1, mostOffset: 1})
		}
	}
	for _, d := range differences(channels, pairs) {
		if math.Abs(d.Offset-offs[d.Channel-1]) > 1e-18 {
			t.Errorf("%+v, not %g A", d, offs[d.Channel-1])
		}
	}
	// A channel that was in no pair is not said to differ by nothing.
	got := differences(channels, pairsOf(1e-3, -1e-3, 0))
	if len(got) != 3 || math.Abs(got[0].Gain-1e-3) > 1e-15 {
		t.Errorf("three of four: %+v", got)
	}
}

func TestWordsOfDifferences(t *testing.T) {
	t.Parallel()
	all := []*bench.Channel{{ID: 1, Name: "1A"}, {ID: 2, Name: "1B"}, {ID: 3, Name: "2A"}}
	gain := deviation{a: 0, b: 1, unit: quantity.Volt, fullScale: 2, gain: 0.03, most: 1e-3, mostOffset: 1e-3}
	off := deviation{a: 0, b: 2, unit: quantity.Ampere, fullScale: 1e-3, off: -5e-6, most: 1e-3, mostOffset: 1e-6}
	for _, c := range []struct {
		d    deviation
		k    int
		said string
	}{
		{gain, 0, "3 % too much"}, {gain, 1, "3 % too little"},
		{off, 0, "5.0 µA too little"}, {off, 2, "5.0 µA too much"},
	} {
		if got := apartBy(&c.d, c.k); got != c.said {
			t.Errorf("%q, not %q", got, c.said)
		}
	}
	f := oddPair(all, []deviation{gain, off})
	if !f.Fault || !slices.Equal(f.Channels, []bench.ChannelID{1, 2, 3}) || !strings.HasPrefix(f.Said, "Channels 1A, 1B and 2A disagree") || len(f.Evidence) != 2 {
		t.Errorf("%+v", f)
	}
	f = oddChannel(all, 0, []deviation{gain, off})
	if !slices.Equal(f.Channels, []bench.ChannelID{1}) || !strings.Contains(f.Said, "reads 3 % too much in its ranges ±2.00 V and ±1.00 mA") {
		t.Errorf("%+v", f)
	}
	if f = oddChannel(all, 2, []deviation{off}); !strings.Contains(f.Said, "5.0 µA too much in its range ±1.00 mA,") {
		t.Errorf("%+v", f)
	}
}

// behind is what the contacts of a plug have to its common point, from contact 1 on;
// NaN: not told, infinite: open.
func behind(ohms ...float64) map[int]touching {
	all := map[int]touching{}
	for i, r := range ohms {
		switch {
		case math.IsInf(r, 0):
			all[i+1] = touching{told: true, open: true}
		case !math.IsNaN(r):
			all[i+1] = touching{told: true, ohms: budget.Exact(r)}
		}
	}
	return all
}

func TestWhichPlug(t *testing.T) {
	t.Parallel()
	open, untold := math.Inf(1), math.NaN()
	for name, c := range map[string]struct {
		all               map[int]touching
		shorting, numbers bool
		step              float64
	}{
		"nothing":                            {behind(), false, false, 0},
		"all open":                           {behind(open, open, open, open), false, false, 0},
		"a shorting plug":                    {behind(0.03, 0.04, 0.02, 0.05), true, false, 0},
		"a dirty one":                        {behind(0.03, 12, 0.02, 50, 0.04), true, false, 0},
		"mostly dirty":                       {behind(30, 12, 0.02, 50), false, false, 0},
		"one pin of it":                      {behind(0.03, open, open), false, false, 0},
		"a few pins of it":                   {behind(0.03, 0.02, 0.04, 0.03, open), false, false, 0},
		"a part of four pins":                {behind(1, 1, 0.02, 0.02, open, open, untold), false, false, 0},
		"half a plug":                        {behind(0.03, 0.02, 0.04, 0.03, 0.03, open, open, untold), true, false, 0},
		"a numbered plug":                    {behind(100.2, 200.1, 299, 401), false, true, 100.1},
		"with two exchanged of eight":        {behind(100, 300, 200, 400, 500, 600, 700, 800), false, true, 100},
		"with two exchanged of four":         {behind(100, 300, 200, 400), false, false, 0},
		"with one open":                      {behind(100, open, 300, 400, 500), false, true, 100},
		"two of its pins":                    {behind(100, 200, open, open), false, false, 0},
		"resistors that are all alike":       {behind(1000, 1000, 1000, 1000, 1000), false, false, 0},
		"steps of less than an ohm":          {behind(0.5, 1, 1.5, 2), true, false, 0},
		"one step more than stated for each": {behind(200, 300, 400, 500, 600, 700, 800), false, false, 0},
	} {
		step, ok := stepOf(c.all)
		if isShorting(c.all) != c.shorting || ok != c.numbers || c.numbers && math.Abs(step-c.step) > 0.3 {
			t.Errorf("%s: shorting %v, numbered %v with %g Ω", name, isShorting(c.all), ok, step)
		}
	}
}

func TestWordsOfWrongContacts(t *testing.T) {
	t.Parallel()
	all := behind(200, 100, 400, 500, 300, 1300, 50)
	q := &sequence{Rig: Rig{Def: &bench.Definition{Contacts: 7}}}
	wrong := map[int]int{1: 2, 2: 1, 3: 4, 4: 5, 5: 3, 6: 13, 7: 1}
	for _, c := range []struct {
		contact  int
		kind     Kind
		contacts []int
		said     string
	}{
		{1, WrongContact, []int{1, 2}, "Contacts 1 and 2 are exchanged"},
		{3, WrongContact, []int{3}, "The wire of contact 3 leads to another place: the plug says 400 Ω, which is number 4."},
		{6, PoorContact, []int{6}, "Contact 6 is poor: about 700 Ω more"},
		{7, WrongContact, []int{7}, "number 1"},
	} {
		f := q.wrongContact(all, c.contact, wrong[c.contact], wrong, 100)
		if f.Kind != c.kind || !f.Fault || !slices.Equal(f.Contacts, c.contacts) || !strings.Contains(f.Said, c.said) || f.Do == "" || len(f.Evidence) == 0 {
			t.Errorf("contact %d: %+v", c.contact, f)
		}
	}
}

func TestLists(t *testing.T) {
	t.Parallel()
	for want, words := range map[string][]string{
		"": nil, "a": {"a"}, "a and b": {"a", "b"}, "a, b and c": {"a", "b", "c"},
		"a, b, c, d, e, f, g, h, i, j, k and l":         strings.Split("abcdefghijkl", ""),
		"a, b, c, d, e, f, g, h, i, j, k, l and 2 more": strings.Split("abcdefghijklmn", ""),
	} {
		if got := list(words); got != want {
			t.Errorf("%q, not %q", got, want)
		}
	}
	for want, contacts := range map[string][]int{"contact 3": {3}, "contacts 2, 3 and 11": {11, 3, 2}} {
		if got := contactList(contacts); got != want {
			t.Errorf("%q, not %q", got, want)
		}
	}
	for want, joined := range map[string][]int{
		"contact 3 reaches other contacts through it":                             {3},
		"contacts 3 and 4 reach other contacts through it":                        {4, 3},
		"contacts 1, 2, 3 and 4 and perhaps more reach other contacts through it": {1, 2, 3, 4},
	} {
		if got := joinedWords(joined); got != want {
			t.Errorf("%q, not %q", got, want)
		}
	}
}

// fourLines is a bench of two channels and the return with three contacts; channel
// 2 does not reach the last one, and the return's switches exclude each other.
func fourLines() *bench.Definition {
	d := &bench.Definition{Contacts: 3, LineHz: 50, Channels: []bench.Channel{{ID: 1, Name: "1A"}, {ID: 2, Name: "1B"}}}
	for i := range d.Channels {
		d.Channels[i].ForceV, d.Channels[i].SenseV = []bench.Range{{FullScale: 10}}, []bench.Range{{FullScale: 10}}
		d.Channels[i].ForceI, d.Channels[i].SenseI = []bench.Range{{FullScale: 1e-2, LoopTime: 1e-4}}, []bench.Range{{FullScale: 1e-2, LoopTime: 1e-4}}
	}
	add := func(ch bench.ChannelID, c int, mux string) {
		id := bench.PathID(len(d.Paths) + 1)
		d.Paths = append(d.Paths, bench.Path{ID: id, Channel: ch, Contact: c, Mux: mux, Address: lineOf(d, &bench.Path{Channel: ch}) + "/" + string(rune('0'+c)), Leakage: 1e-11})
	}
	for c := 1; c <= 3; c++ {
		add(1, c, "a")
		if c < 3 {
			add(2, c, "b")
		}
		add(0, c, "r")
	}
	return d
}

func sequenceOn(d *bench.Definition, before *Record, now Step) *sequence {
	return newSequence(context.Background(), Rig{Def: d, Before: before}, now)
}

func TestWhereChannelsMeet(t *testing.T) {
	t.Parallel()
	d := fourLines()
	q := sequenceOn(d, nil, Channels)
	all, at := q.meetingPlace(nil)
	if len(all) != 2 || at != 1 {
		t.Errorf("%d channels at contact %d", len(all), at)
	}
	if again, other := q.meetingPlace(q.paths[1]); len(again) != 0 || other != 0 {
		t.Errorf("by other multiplexers: %d channels at contact %d", len(again), other)
	}
	q.spoilt.contacts[1] = true
	if all, at = q.meetingPlace(nil); len(all) != 2 || at != 2 {
		t.Errorf("without contact 1: %d channels at contact %d", len(all), at)
	}
	q.spoilt.channels[2] = true
	if all, at = q.meetingPlace(nil); len(all) != 1 || all[0].ID != 1 || at != 2 {
		t.Errorf("without channel 1B: %d channels at contact %d", len(all), at)
	}
}

func TestGroupsExcludeNothing(t *testing.T) {
	t.Parallel()
	d := fourLines()
	q := sequenceOn(d, nil, Empty)
	ch, _ := d.ChannelByID(1)
	groups := q.groundGroups(ch)
	if len(groups) != 3 {
		t.Errorf("%d groups by one switch of the return", len(groups))
	}
	for i := range d.Paths {
		if p := &d.Paths[i]; p.Channel == 0 {
			p.Mux = ""
		}
	}
	if groups = q.groundGroups(ch); len(groups) != 1 || len(groups[0]) != 3 {
		t.Errorf("%d groups by switches of its own", len(groups))
	}
	if p := q.groundAt(3, 1); p == nil || p.Channel != 0 {
		t.Errorf("contact 3 is held by %+v", p)
	}
	q.paths[3][0] = nil
	if p := q.groundAt(3, 1); p != nil {
		t.Errorf("contact 3 is held by %+v, which measures", p)
	}
	if p := q.groundAt(3, 2); p == nil || p.Channel != 1 {
		t.Errorf("contact 3 is held by %+v", p)
	}
}

func TestSetsThatCloseTogether(t *testing.T) {
	t.Parallel()
	d := fourLines()
	q := sequenceOn(d, nil, Empty)
	if sets := q.together(1); len(sets) != 1 || sets[0].sink.Channel != 0 || len(sets[0].paths) != 2 {
		t.Errorf("contact 1: %+v", sets)
	}
	q.paths[1][2].Mux = "a"
	if sets := q.together(1); len(sets) != 2 || len(sets[0].paths) != 1 || len(sets[1].paths) != 1 {
		t.Errorf("channels that exclude each other: %+v", sets)
	}
	q.paths[1][2].Mux = "r"
	if sets := q.together(1); len(sets) != 1 || len(sets[0].paths) != 1 || sets[0].paths[0].Channel != 1 {
		t.Errorf("one that excludes the return: %+v", sets)
	}
	q.paths[2][0] = nil
	if sets := q.together(2); len(sets) != 2 || sets[0].sink.Channel != 2 || sets[1].sink.Channel != 1 {
		t.Errorf("without a return: %+v", sets)
	}
	q.paths[3][0] = nil
	if sets := q.together(3); sets != nil {
		t.Errorf("a channel alone: %+v", sets)
	}
}

// TestSpoilt: what earlier steps found is neither used nor named again, and what the
// same step found is looked for anew.
func TestSpoilt(t *testing.T) {
	t.Parallel()
	d := fourLines()
	before := &Record{Steps: []StepResult{
		{Step: Empty, Findings: []Finding{
			{Kind: StuckClosed, Paths: []bench.PathID{1}, Contacts: []int{1}, Channels: []bench.ChannelID{1}},
			{Kind: EnableFloats, Mux: "b", Contacts: []int{2}, Channels: []bench.ChannelID{2}},
			{Kind: StuckOpen, Paths: []bench.PathID{8}, Contacts: []int{3}},
			{Kind: LeakyContact, Contacts: []int{3}},
		}},
		{Step: Plug, Findings: []Finding{{Kind: PoorContact, Contacts: []int{2}}, {Kind: OpenContact, Contacts: []int{1}}}},
	}}
	s := spoiltBy(d, before, Numbers)
	for _, p := range d.Paths {
		if want := p.ID == 1 || p.ID == 8 || p.Mux == "b"; s.paths[p.ID] != want {
			t.Errorf("path %s: %v", p.Address, s.paths[p.ID])
		}
	}
	if !s.channels[1] || !s.channels[2] || !s.contacts[1] || !s.contacts[2] || !s.contacts[3] {
		t.Errorf("%+v", s)
	}
	if s = spoiltBy(d, before, Empty); len(s.paths)+len(s.channels)+len(s.contacts) > 0 {
		t.Errorf("the same step again: %+v", s)
	}
	s.take(d, &Finding{Kind: ChannelDisagrees, Channels: []bench.ChannelID{2}})
	if !s.channels[2] || len(s.paths)+len(s.contacts) > 0 {
		t.Errorf("a channel that errs: %+v", s)
	}
	if len(sequenceOn(d, before, Channels).usableAt(1)) != 0 {
		t.Error("contact 1 is measured by channels whose switches conduct")
	}
}

// TestSettles waits long enough for the slowest channel that is on, and for a small
// current to charge what is connected.
func TestSettles(t *testing.T) {
	t.Parallel()
	d := fourLines()
	d.Capacitance = 1e-9
	q := sequenceOn(d, nil, Empty)
	if got := q.settle(); got != 0 {
		t.Errorf("nothing is on: %v", got)
	}
	ch, _ := d.ChannelByID(1)
	q.up[1] = volts(ch, 1, 1, 1e-2)
	loop := q.settle()
	if least := 12 * 100 * time.Microsecond; loop < least {
		t.Errorf("%v, and 12 time constants are %v", loop, least)
	}
	q.up[1] = volts(ch, 1, 1, 1e-6) // 1 V into 1 nF by 1 µA takes 1 ms
	if slow := q.settle(); slow < loop+time.Millisecond {
		t.Errorf("%v with 1 µA, %v with 10 mA", slow, loop)
	}
	q.up[2] = bench.Setup{Mode: bench.ForceVoltage, Level: 1, Compliance: 5} // which it cannot
	if got := q.settle(); got < loop {
		t.Errorf("%v beside a channel without a range", got)
	}
}

func TestWhatCanBeKept(t *testing.T) {
	t.Parallel()
	s := budget.NewSource("s", budget.Path, budget.Normal, 0.5)
	endless := budget.Of(1, budget.Unknown("u", budget.Path))
	for name, c := range map[string]struct {
		v      budget.Value
		finite bool
		half   float64
	}{
		"exact":          {budget.Exact(3), true, 0},
		"with an error":  {budget.Of(3, s), true, 1.96 * 0.5},
		"no number":      {budget.Exact(math.NaN()), false, 0},
		"infinite":       {budget.Exact(math.Inf(-1)), false, 0},
		"without an end": {endless, false, math.Inf(1)},
	} {
		h := half(c.v)
		if finite(c.v) != c.finite || !(h == c.half || math.Abs(h-c.half) < 0.01) {
			t.Errorf("%s: finite %v, half-width %g", name, finite(c.v), h)
		}
		if got := sure(c.v); !(got == 2*h) {
			t.Errorf("%s: %g is sure, of %g", name, got, h)
		}
	}
}

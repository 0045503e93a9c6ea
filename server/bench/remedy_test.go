package bench

import (
	"errors"
	"runtime"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// possible tries every combination of paths on a bench with straps, by rules
// written down once more: a strap connects its contact for good, so a channel
// with a strap serves the pins strapped to it, all of them asked for and alike,
// and nothing else.
func possible(d *Definition, pm *PinMap, needs []Need) bool {
	strap := func(pin int) (Strap, bool) {
		for _, s := range pm.Straps {
			if s.Kind != StrapResistor && s.Contact == pm.Contacts[pin] {
				return s, true
			}
		}
		return Strap{}, false
	}
	owned := map[ChannelID]bool{}
	for pin := range pm.Contacts {
		if s, ok := strap(pin); ok && s.Kind == StrapChannel {
			owned[s.Channel] = true
		}
	}
	can := func(id ChannelID, n Need, kelvin bool) bool {
		ch, ok := d.ChannelByID(id)
		if !ok || n.Kelvin && !(kelvin && ch.RemoteSense) {
			return false
		}
		v, i := ch.ForceV[len(ch.ForceV)-1].FullScale, ch.ForceI[len(ch.ForceI)-1].FullScale
		return n.Voltage <= v && n.Current <= i
	}
	var free []Need
	for _, n := range needs {
		if pm.Contacts[n.Pin] == 0 {
			return false
		}
		s, ok := strap(n.Pin)
		switch {
		case !ok:
			free = append(free, n)
		case s.Kind == StrapReturn:
			if n.Line != ToReturn {
				return false
			}
		case n.Line == ToChannel && !can(s.Channel, n, true):
			return false
		default:
			for pin := range pm.Contacts {
				if o, tied := strap(pin); !tied || o.Kind != StrapChannel || o.Channel != s.Channel || pin == n.Pin {
					continue
				}
				i := slices.IndexFunc(needs, func(m Need) bool { return m.Pin == pin })
				if i < 0 || needs[i].Line != n.Line || n.Line == ToChannel && (n.Alike == 0 || needs[i].Alike != n.Alike || needs[i].Mode != n.Mode) {
					return false
				}
			}
		}
	}
	var chosen []Path
	var try func(i int) bool
	try = func(i int) bool {
		if i == len(free) {
			return true
		}
		n := free[i]
		for _, p := range d.Paths {
			ok := p.Contact == pm.Contacts[n.Pin] && (p.Channel == 0) == (n.Line == ToReturn) && (!n.Kelvin || p.Kelvin)
			ok = ok && (p.Channel == 0 || !owned[p.Channel] && can(p.Channel, n, p.Kelvin))
			for _, q := range chosen {
				ok = ok && (p.Mux == "" || p.Mux != q.Mux) && (p.Channel == 0 || p.Channel != q.Channel)
			}
			if ok {
				chosen = append(chosen, p)
				if try(i + 1) {
					return true
				}
				chosen = chosen[:len(chosen)-1]
			}
		}
		return false
	}
	return try(0)
}

func drawStraps(t *rapid.T, pm *PinMap) {
	for contact := 1; contact <= 5; contact++ {
		switch rapid.IntRange(0, 7).Draw(t, "strap") {
		case 0:
			pm.Straps = append(pm.Straps, Strap{Contact: contact, Kind: StrapReturn})
		case 1:
			pm.Straps = append(pm.Straps, Strap{Contact: contact, Kind: StrapChannel, Channel: ChannelID(rapid.IntRange(1, 3).Draw(t, "strapped"))})
		}
	}
}

// TestRemediesWork: whatever is proposed frees the clash, by brute force; and the
// solver agrees with brute force on benches with straps.
func TestRemediesWork(t *testing.T) {
	count := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		d, pm := drawBench(t)
		drawStraps(t, pm)
		if rapid.IntRange(0, 4).Draw(t, "unplaced") == 0 {
			delete(pm.Contacts, 5)
		}
		needs := drawNeeds(t, "use")
		for i := range needs {
			needs[i].Alike = rapid.IntRange(0, 1).Draw(t, "alike")
			if needs[i].Line == ToChannel && rapid.IntRange(0, 9).Draw(t, "beyond") == 0 {
				needs[i].Voltage = 50
			}
		}
		_, err := Assign(d, pm, needs, nil)
		if want := possible(d, pm, needs); (err == nil) != want {
			t.Fatalf("solver says %v, brute force %v", err, want)
		}
		var c *Clash
		if !errors.As(err, &c) {
			return
		}
		count["clash"]++
		set := needs
		if strings.Contains(c.Remedy, "others clash besides") {
			count["part"]++
			set = slices.DeleteFunc(slices.Clone(needs), func(n Need) bool { return !slices.Contains(c.Pins, n.Pin) })
		}
		if c.Fix != nil {
			count["fix"]++
			if len(c.Fix.Contacts) > 0 {
				count["moved"]++
			}
			if len(c.Fix.Strap) > 0 {
				count["strap"]++
			}
			if len(c.Fix.Unstrap) > 0 {
				count["unstrap"]++
			}
			fixed := c.Fix.Apply(*pm)
			if !possible(d, &fixed, set) {
				t.Fatalf("%s; with %+v it is still impossible", c, c.Fix)
			}
			checkMap(t, &fixed)
		}
		freesOtherwise(t, d, pm, set, c, count)
	})
	t.Log(count)
	if testing.Short() {
		return // too few cases to have seen every remedy
	}
	for _, what := range []string{"fix", "moved", "strap", "unstrap"} {
		if count[what] == 0 {
			t.Errorf("never seen: %s", what)
		}
	}
}

// checkMap fails the test where two pins share a contact or a contact two lines.
func checkMap(t *rapid.T, pm *PinMap) {
	pins, lines := map[int]bool{}, map[int]bool{}
	for _, c := range pm.Contacts {
		if pins[c] {
			t.Fatalf("contact %d holds two pins", c)
		}
		pins[c] = true
	}
	for _, s := range pm.Straps {
		if lines[s.Contact] {
			t.Fatalf("contact %d is strapped twice", s.Contact)
		}
		lines[s.Contact] = true
	}
}

// freesOtherwise holds the part of a remedy that changes the measurement.
func freesOtherwise(t *rapid.T, d *Definition, pm *PinMap, needs []Need, c *Clash, count map[string]int) {
	changed := slices.Clone(needs)
	in := func(n Need) bool { return slices.Contains(c.Pins, n.Pin) }
	switch {
	case strings.Contains(c.Remedy, "two-wire"):
		count["two-wire"]++
		for i := range changed {
			changed[i].Kelvin = changed[i].Kelvin && !in(changed[i])
		}
	case strings.Contains(c.Remedy, "at or below"):
		count["lower"]++
		for i := range changed {
			if in(changed[i]) {
				changed[i].Voltage = 20
				if !strings.Contains(c.Remedy, "20.0 V") {
					changed[i].Voltage = 2
				}
			}
		}
	case strings.Contains(c.Remedy, "alike"):
		count["alike"]++
		changed = slices.DeleteFunc(changed, in)
		for _, pin := range c.Pins {
			i := slices.IndexFunc(needs, func(n Need) bool { return in(n) && n.Line == ToChannel })
			n := needs[i]
			if n.Pin = pin; n.Alike == 0 {
				n.Alike = 77
			}
			changed = append(changed, n)
		}
	case strings.HasPrefix(c.Remedy, "leave"):
		count["leave out"]++
		pins := c.Pins
		if c.Remedy == oneLess {
			pins = pins[:1]
		}
		changed = slices.DeleteFunc(changed, func(n Need) bool { return !in(n) || slices.Contains(pins, n.Pin) })
	default:
		return
	}
	if !possible(d, pm, changed) {
		t.Fatalf("%s: that frees nothing", c)
	}
}

// TestSmallestClash: no fewer pins clash than are named.
func TestSmallestClash(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, pm := drawBench(t)
		needs := drawNeeds(t, "use")
		_, err := Assign(d, pm, needs, nil)
		var c *Clash
		if !errors.As(err, &c) {
			return
		}
		for bits := range 1 << len(needs) {
			var set []Need
			for i, n := range needs {
				if bits>>i&1 == 1 {
					set = append(set, n)
				}
			}
			if len(set) < len(c.Pins) && !possible(d, pm, set) {
				t.Fatalf("%v clash, but so do only %v", c.Pins, set)
			}
		}
	})
}

// Remedies in words, on a bench where they are known.
func TestRemedyWords(t *testing.T) {
	d := &Definition{Contacts: 4, Channels: []Channel{plainChannel(1), plainChannel(2)}}
	d.Paths = []Path{
		{ID: 1, Channel: 1, Contact: 1, Mux: "A"}, {ID: 2, Channel: 1, Contact: 2, Mux: "A"},
		{ID: 3, Channel: 2, Contact: 3, Mux: "B"}, {ID: 4, Channel: 2, Contact: 4, Mux: "C"},
		{ID: 5, Channel: 0, Contact: 3, Mux: "B"}, {ID: 6, Channel: 0, Contact: 4, Mux: "B"},
	}
	pm := &PinMap{Contacts: map[int]int{1: 1, 2: 2, 3: 3}}
	like := func(pin int) Need { n := needV(pin); n.Alike = 1; return n }
	for _, tc := range []struct {
		name  string
		needs []Need
		says  string
	}{
		{"one multiplexer", []Need{needV(1), needV(2)}, "exchange contacts 1 and 3 (pins 1 and 3)"},
		{"a return too few", []Need{needReturn(1)}, "strap contact 1 (pin 1) to the return"},
		{"alike on too few channels", []Need{like(1), like(2), like(3)}, "strap contacts 1, 2 and 3 (pins 1, 2 and 3) to channel CH1"},
		{"not placed", []Need{needV(9)}, "give pin 9 contact 4"},
		{"beyond the range", []Need{{Pin: 1, Line: ToChannel, Mode: ForceVoltage, Voltage: 50, Current: 1e-3}}, "stay at or below 20.0 V and 1.00 mA on pin 1"},
		{"no sense wire", []Need{{Pin: 1, Line: ToChannel, Mode: ForceVoltage, Kelvin: true}}, "measure pin 1 two-wire, or strap contact 1 (pin 1) to channel CH1"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := Assign(d, pm, tc.needs, nil)
			var c *Clash
			if !errors.As(err, &c) || c.Remedy != tc.says {
				t.Errorf("got %v", err)
			}
		})
	}
}

// Three pins that differ on two channels: no wire and no strap helps.
func TestNothingHelps(t *testing.T) {
	d, pm := grid(2, 3)
	_, err := Assign(d, pm, []Need{needV(1), needV(2), needV(3)}, nil)
	var c *Clash
	if !errors.As(err, &c) || c.Remedy != oneLess || c.Fix != nil {
		t.Errorf("got %v", err)
	}
}

// TestManyClashesAreQuick: a bench that cannot do any of 500 measurements says so
// without trying all changes for each.
func TestManyClashesAreQuick(t *testing.T) {
	d, pm := grid(2, 48)
	s := NewSolver(d, pm)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for k := range 500 {
		var needs []Need
		for i := range 4 {
			n := needV((k+11*i)%48 + 1)
			n.Voltage = 1 + float64(k)/1e3
			needs = append(needs, n)
		}
		if _, err := s.Assign(needs, nil); err == nil {
			t.Fatal("four pins on two channels")
		}
	}
	runtime.ReadMemStats(&after)
	if each := (after.Mallocs - before.Mallocs) / 500; each > 5000 { // the first ones try changes
		t.Errorf("%d allocations for each", each)
	}
}

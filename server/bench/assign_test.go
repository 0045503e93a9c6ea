package bench

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

var (
	volts = []Range{{FullScale: 2, Step: 1e-4}, {FullScale: 20, Step: 1e-3}}
	amps  = []Range{{FullScale: 1e-3, Step: 1e-8}, {FullScale: 0.1, Step: 1e-6}}
)

func plainChannel(id ChannelID) Channel {
	return Channel{ID: id, Name: fmt.Sprintf("CH%d", id), ForceV: volts, ForceI: amps, SenseV: volts, SenseI: amps, RemoteSense: true}
}

func needV(pin int) Need {
	return Need{Pin: pin, Line: ToChannel, Mode: ForceVoltage, Voltage: 5, Current: 0.01}
}
func needReturn(pin int) Need { return Need{Pin: pin, Line: ToReturn} }

// grid is a bench on which every channel reaches every contact through a
// multiplexer for each 16 contacts, and every contact has a return switch.
func grid(channels, contacts int) (*Definition, *PinMap) {
	d := &Definition{Key: "grid", Name: "grid", Contacts: contacts, LineHz: 50, SwitchTime: 1e-3}
	pm := &PinMap{Device: "part", Bench: "grid", Contacts: map[int]int{}}
	for c := 1; c <= channels; c++ {
		d.Channels = append(d.Channels, plainChannel(ChannelID(c)))
	}
	id := PathID(0)
	for k := 1; k <= contacts; k++ {
		pm.Contacts[k] = k
		for c := 0; c <= channels; c++ {
			id++
			mux := fmt.Sprintf("M%d-%d", c, (k-1)/16)
			if c == 0 {
				mux = fmt.Sprintf("R%d", k)
			}
			d.Paths = append(d.Paths, Path{ID: id, Channel: ChannelID(c), Contact: k, Mux: mux, Resistance: 1, Kelvin: true})
		}
	}
	return d, pm
}

// failer is what *testing.T and *rapid.T have in common here.
type failer interface {
	Helper()
	Fatalf(format string, args ...any)
}

// sound fails the test where an assignment breaks a rule of the bench.
func sound(t failer, d *Definition, pm *PinMap, needs []Need, a *Assignment) {
	t.Helper()
	mux, channel := map[string]int{}, map[ChannelID]int{}
	var paths []PathID
	for _, n := range needs {
		id, ok := a.Path[n.Pin]
		if !ok {
			if len(pm.StrapsOf(pm.Contacts[n.Pin])) == 0 {
				t.Fatalf("pin %d has no path", n.Pin)
			}
			continue
		}
		paths = append(paths, id)
		p, _ := d.PathByID(id)
		if p.Contact != pm.Contacts[n.Pin] || (p.Channel == 0) != (n.Line == ToReturn) || n.Kelvin && !p.Kelvin {
			t.Fatalf("path %+v does not serve %+v", p, n)
		}
		if other, taken := mux[p.Mux]; taken && p.Mux != "" {
			t.Fatalf("pins %d and %d share multiplexer %s", other, n.Pin, p.Mux)
		}
		mux[p.Mux] = n.Pin
		if p.Channel != 0 {
			if other, taken := channel[p.Channel]; taken {
				t.Fatalf("pins %d and %d share channel %d", other, n.Pin, p.Channel)
			}
			channel[p.Channel] = n.Pin
			if a.Channel[n.Pin] != p.Channel {
				t.Fatalf("pin %d: channel %d, path leads to %d", n.Pin, a.Channel[n.Pin], p.Channel)
			}
		}
	}
	slices.Sort(paths)
	if !slices.Equal(paths, a.Paths) {
		t.Fatalf("paths %v, pins use %v", a.Paths, paths)
	}
}

// drawBench is a small random bench without straps; brute force is exact on it.
func drawBench(t *rapid.T) (*Definition, *PinMap) {
	d := &Definition{Contacts: 5}
	for c := 1; c <= 3; c++ {
		ch := plainChannel(ChannelID(c))
		if rapid.Bool().Draw(t, "small") {
			ch.ForceV = volts[:1]
		}
		ch.RemoteSense = rapid.Bool().Draw(t, "remote")
		d.Channels = append(d.Channels, ch)
	}
	n := rapid.IntRange(3, 14).Draw(t, "paths")
	for i := range n {
		d.Paths = append(d.Paths, Path{
			ID:      PathID(i + 1),
			Channel: ChannelID(rapid.IntRange(0, 3).Draw(t, "channel")),
			Contact: rapid.IntRange(1, 5).Draw(t, "contact"),
			Mux:     rapid.SampledFrom([]string{"", "A", "B", "C", "D"}).Draw(t, "mux"),
			Kelvin:  rapid.Bool().Draw(t, "kelvin"),
		})
	}
	pm := &PinMap{Contacts: map[int]int{1: 3, 2: 1, 3: 5, 4: 2, 5: 4}}
	return d, pm
}

func drawNeeds(t *rapid.T, label string) []Need {
	var needs []Need
	for pin := 1; pin <= 5; pin++ {
		switch rapid.IntRange(0, 3).Draw(t, label) {
		case 1:
			needs = append(needs, needReturn(pin))
		case 2:
			needs = append(needs, needV(pin))
		case 3:
			needs = append(needs, Need{Pin: pin, Line: ToChannel, Mode: ForceCurrent, Voltage: 1, Current: 1e-4, Kelvin: rapid.Bool().Draw(t, "kelvin")})
		}
	}
	return needs
}

// bruteForce tries every combination of paths and returns the fewest moves
// from the closed paths, or -1 where no combination is allowed.
func bruteForce(d *Definition, pm *PinMap, needs []Need, closed []PathID) int {
	best := -1
	var chosen []Path
	var try func(i int)
	try = func(i int) {
		if i == len(needs) {
			moves := len(closed) + len(chosen)
			for _, p := range chosen {
				if slices.Contains(closed, p.ID) {
					moves -= 2
				}
			}
			if best < 0 || moves < best {
				best = moves
			}
			return
		}
		n := needs[i]
		for _, p := range d.Paths {
			ok := p.Contact == pm.Contacts[n.Pin] && (p.Channel == 0) == (n.Line == ToReturn) && (!n.Kelvin || p.Kelvin)
			if ok && n.Line == ToChannel {
				ch, _ := d.ChannelByID(p.Channel)
				top := ch.ForceV[len(ch.ForceV)-1].FullScale
				ok = (!n.Kelvin || ch.RemoteSense) && n.Voltage <= top
			}
			for _, q := range chosen {
				ok = ok && (p.Mux == "" || p.Mux != q.Mux) && (p.Channel == 0 || p.Channel != q.Channel)
			}
			if ok {
				chosen = append(chosen, p)
				try(i + 1)
				chosen = chosen[:len(chosen)-1]
			}
		}
	}
	try(0)
	return best
}

func TestAssignAgainstBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, pm := drawBench(t)
		s := NewSolver(d, pm)
		var before *Assignment
		for range 3 {
			needs := drawNeeds(t, "use")
			var closed []PathID
			if before != nil {
				closed = before.Paths
			}
			want := bruteForce(d, pm, needs, closed)
			got, err := s.Assign(needs, before)
			if (err == nil) != (want >= 0) {
				t.Fatalf("solver says %v, brute force %d", err, want)
			}
			if err != nil {
				checkMinimal(t, d, pm, needs, err)
				continue
			}
			sound(t, d, pm, needs, got)
			if moved := Moved(before, got); moved != want {
				t.Fatalf("moves %d paths, brute force %d", moved, want)
			}
			before = got
		}
	})
}

// checkMinimal holds a clash to its promise: its pins cannot be connected
// together, and without any one of them the others can.
func checkMinimal(t *rapid.T, d *Definition, pm *PinMap, needs []Need, err error) {
	var clash *Clash
	if !errors.As(err, &clash) || clash.Reason == "" || clash.Remedy == "" {
		t.Fatalf("not a full clash: %v", err)
	}
	var core []Need
	for _, n := range needs {
		if slices.Contains(clash.Pins, n.Pin) {
			core = append(core, n)
		}
	}
	if len(core) != len(clash.Pins) || bruteForce(d, pm, core, nil) >= 0 {
		t.Fatalf("pins %v do not clash", clash.Pins)
	}
	for i := range core {
		if bruteForce(d, pm, slices.Delete(slices.Clone(core), i, i+1), nil) < 0 {
			t.Fatalf("pin %d of %v is not needed for the clash", core[i].Pin, clash.Pins)
		}
	}
}

func TestClashNamesPinsAndMultiplexer(t *testing.T) {
	d := &Definition{Contacts: 4, Channels: []Channel{plainChannel(1), plainChannel(2)}}
	d.Paths = []Path{
		{ID: 1, Channel: 1, Contact: 1, Mux: "A"}, {ID: 2, Channel: 1, Contact: 2, Mux: "A"},
		{ID: 3, Channel: 2, Contact: 3, Mux: "B"}, {ID: 4, Channel: 2, Contact: 4, Mux: "C"},
		{ID: 5, Channel: 0, Contact: 3, Mux: "B"}, {ID: 6, Channel: 0, Contact: 4, Mux: "B"},
	}
	pm := &PinMap{Contacts: map[int]int{1: 1, 2: 2, 3: 3, 4: 4, 6: 6}}
	for _, tc := range []struct {
		name  string
		needs []Need
		pins  []int
		mux   string
		says  string
	}{
		{"one multiplexer", []Need{needV(2), needV(3), needV(1)}, []int{1, 2}, "A", "multiplexer A"},
		{"channel and return", []Need{needV(3), needReturn(4)}, []int{3, 4}, "B", "multiplexer B"},
		{"too few channels", []Need{needV(4), needV(3)}, []int{3, 4}, "", "need a channel"},
		{"no return switch", []Need{needReturn(1)}, []int{1}, "", "no path leads"},
		{"no contact", []Need{needV(9)}, []int{9}, "", "no contact"},
		{"no path", []Need{needV(6)}, []int{6}, "", "no path leads"},
		{"no sense wire", []Need{{Pin: 1, Line: ToChannel, Mode: ForceVoltage, Kelvin: true}}, []int{1}, "", "sense wire"},
		{"beyond range", []Need{{Pin: 1, Line: ToChannel, Mode: ForceVoltage, Voltage: 50, Current: 1e-3}}, []int{1}, "", "force 50"},
		{"beyond compliance", []Need{{Pin: 1, Line: ToChannel, Mode: ForceVoltage, Voltage: 1, Current: 1}}, []int{1}, "", "limit of 1"},
		{"twice", []Need{needV(1), needReturn(1)}, []int{1}, "", "twice"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := Assign(d, pm, tc.needs, nil)
			var c *Clash
			if !errors.As(err, &c) {
				t.Fatalf("got %v, want a clash", err)
			}
			if !slices.Equal(c.Pins, tc.pins) || c.Mux != tc.mux || !strings.Contains(c.Reason, tc.says) {
				t.Errorf("got pins %v on %q: %s", c.Pins, c.Mux, c.Reason)
			}
		})
	}
}

func TestStraps(t *testing.T) {
	d, pm := grid(3, 6)
	pm.Straps = []Strap{
		{Contact: 1, Kind: StrapReturn},
		{Contact: 2, Kind: StrapChannel, Channel: 1}, {Contact: 3, Kind: StrapChannel, Channel: 1},
		{Contact: 4, Kind: StrapResistor, Resistance: 1e3},
	}
	like := func(pin, alike int) Need { n := needV(pin); n.Alike = alike; return n }
	for _, tc := range []struct {
		name  string
		needs []Need
		pins  []int // of the clash; nil: none
	}{
		{"return strap serves return", []Need{needReturn(1), needV(5)}, nil},
		{"return strap against channel", []Need{needV(1)}, []int{1}},
		{"two pins alike share", []Need{like(2, 1), like(3, 1), needV(4)}, nil},
		{"two pins unlike clash", []Need{like(2, 1), like(3, 2)}, []int{2, 3}},
		{"the other would be driven along", []Need{like(2, 1)}, []int{2, 3}},
		{"return on a channel strap", []Need{needReturn(2), needReturn(3)}, nil},
		{"return and voltage clash", []Need{needReturn(2), like(3, 1)}, []int{2, 3}},
		{"a strapped channel serves no other pin", []Need{needV(4), needV(5), needV(6)}, []int{4, 5, 6}},
		{"beyond the strapped channel", []Need{{Pin: 2, Line: ToChannel, Mode: ForceVoltage, Voltage: 50, Alike: 1}, like(3, 1)}, []int{2}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			a, err := Assign(d, pm, tc.needs, nil)
			var c *Clash
			if errors.As(err, &c) {
				if !slices.Equal(c.Pins, tc.pins) {
					t.Fatalf("clash of %v: %v", c.Pins, c)
				}
				return
			}
			if tc.pins != nil {
				t.Fatalf("no clash, got %+v", a)
			}
			sound(t, d, pm, tc.needs, a)
			for _, n := range tc.needs {
				tied := n.Pin == 2 || n.Pin == 3
				if tied && a.Channel[n.Pin] != 1 {
					t.Errorf("pin %d on channel %d, strapped to 1", n.Pin, a.Channel[n.Pin])
				}
				if _, zero := a.Zero[n.Pin]; zero != (tied && n.Line == ToReturn) {
					t.Errorf("pin %d: held at zero by a channel: %v", n.Pin, zero)
				}
			}
		})
	}
}

// TestAssignImpossibleIsQuick: a pigeonhole of many pins on few channels must
// not be proved by trying all orders.
func TestAssignImpossibleIsQuick(t *testing.T) {
	d, pm := grid(8, 48)
	var needs []Need
	for pin := 1; pin <= 48; pin++ {
		needs = append(needs, needV(pin))
	}
	_, err := Assign(d, pm, needs, nil)
	var c *Clash
	if !errors.As(err, &c) || len(c.Pins) != 9 {
		t.Fatalf("got %v, want a clash of 9 pins on 8 channels", err)
	}
}

// BenchmarkAssign plans 500 measurements of a 48-pin part on eight channels,
// no two alike: each puts seven pins on channels, grounds most others and
// leaves some open.
func BenchmarkAssign(b *testing.B) {
	d, pm := grid(8, 48)
	rng := rand.New(rand.NewPCG(1, 2))
	var all [][]Need
	for range 500 {
		var needs []Need
		for i, k := range rng.Perm(48)[:40] {
			if i < 7 {
				needs = append(needs, needV(k+1))
			} else {
				needs = append(needs, needReturn(k+1))
			}
		}
		all = append(all, needs)
	}
	for b.Loop() {
		s := NewSolver(d, pm)
		var before *Assignment
		for _, needs := range all {
			a, err := s.Assign(needs, before)
			if err != nil {
				b.Fatal(err)
			}
			before = a
		}
	}
}

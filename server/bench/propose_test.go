package bench

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ohmkeep/server/dut"
)

// part is a device whose pins have the given functions: s supply at 5 V, S at
// 3.3 V, g ground, i input, o output, n no connect.
func part(family dut.Family, functions string) *dut.Device {
	d := &dut.Device{Key: "part", Package: dut.Package{Family: family, Pins: len(functions)}}
	kinds := map[rune]dut.Function{'s': dut.Supply, 'S': dut.Supply, 'g': dut.Ground, 'i': dut.Input, 'o': dut.Output, 'n': dut.NoConnect}
	for k, c := range functions {
		d.Pins = append(d.Pins, dut.Pin{Number: k + 1, Name: strings.ToUpper(string(c)), Function: kinds[c], MaxV: 6, MaxI: 0.02})
		switch c {
		case 's':
			d.Power = append(d.Power, dut.PowerStep{Pin: k + 1, Level: 5, Limit: 0.02})
		case 'S':
			d.Power = append(d.Power, dut.PowerStep{Pin: k + 1, Level: 3.3, Limit: 0.02})
		}
	}
	return d
}

func TestSeat(t *testing.T) {
	for _, tc := range []struct {
		family dut.Family
		pins   int
		want   map[int]int
	}{
		{dut.DualRow, 14, map[int]int{1: 1, 7: 7, 8: 42, 14: 48}},
		{dut.DualRow, 48, map[int]int{1: 1, 24: 24, 25: 25, 48: 48}},
		{dut.DualRow, 5, map[int]int{1: 1, 3: 3, 4: 46, 5: 48}}, // 46 faces 3, 48 faces 1
		{dut.DualRow, 3, map[int]int{1: 1, 2: 2, 3: 48}},
		{dut.SingleRow, 9, map[int]int{1: 1, 9: 9}},
		{dut.Quad, 44, map[int]int{1: 1, 44: 44}},
		{dut.Grid, 36, map[int]int{1: 1, 36: 36}},
	} {
		d := part(tc.family, strings.Repeat("i", tc.pins))
		got, words, err := Seat(48, d.Package, allPins(d))
		if err != nil || words == "" || len(got) != tc.pins {
			t.Errorf("%s of %d: %v, %q, %v", tc.family, tc.pins, got, words, err)
		}
		for pin, contact := range tc.want {
			if got[pin] != contact {
				t.Errorf("%s of %d: pin %d on contact %d, want %d", tc.family, tc.pins, pin, got[pin], contact)
			}
		}
	}
	for _, f := range dut.Families() {
		if _, _, err := Seat(16, part(f, strings.Repeat("i", 20)).Package, []int{1, 20}); err == nil {
			t.Errorf("%s: 20 pins found a place among 16 contacts", f)
		}
	}
}

func allPins(d *dut.Device) []int {
	var out []int
	for _, p := range d.Pins {
		out = append(out, p.Number)
	}
	return out
}

func TestPropose(t *testing.T) {
	for _, tc := range []struct {
		name, functions string
		straps          []string // contact and line, 0 the return
		says            string
	}{
		{"one supply", "isog", nil, "end of the socket"},
		{"two supplies leave two channels", "isosgg", nil, "pin 1 on contact 1"},
		{"three alike share one", "isosgs", []string{"2>4", "46>4", "48>4"}, "Pins 2 S, 4 S and 6 S are strapped to channel CH4"},
		{"four at two levels share two", "sisSogSn", []string{"1>4", "3>4", "4>3", "47>3"}, "strapped to channel CH3"},
		{"many grounds", "igogsg", []string{"2>0", "46>0", "48>0"}, "are tied to the return"},
		{"no supply", "iiii", nil, "end of the socket"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			def, _ := grid(4, 48)
			pm, says, err := Propose(def, part(dut.DualRow, tc.functions))
			if err != nil {
				t.Fatal(err)
			}
			var straps []string
			for _, s := range pm.Straps {
				straps = append(straps, fmt.Sprintf("%d>%d", s.Contact, s.Channel))
			}
			if !slices.Equal(straps, tc.straps) || !strings.Contains(strings.Join(says, "; "), tc.says) {
				t.Errorf("straps %v, want %v; %q", straps, tc.straps, says)
			}
		})
	}
	// Two levels leave one of three channels, and none of two.
	def, _ := grid(3, 48)
	if _, says, err := Propose(def, part(dut.DualRow, "isoSgn")); err != nil || !strings.Contains(says[len(says)-1], "One channel is left") {
		t.Errorf("%q, %v", says, err)
	}
	def, _ = grid(2, 48)
	pm, says, err := Propose(def, part(dut.DualRow, "isoSgn"))
	var clash *Clash
	if !errors.As(err, &clash) || len(pm.Contacts) != 6 || !strings.Contains(says[len(says)-1], "Not every pin") {
		t.Errorf("%v, %q, %v", pm, says, err)
	}
}

// TestProposedPartsWork: with the proposal for any part, every signal pin can be
// measured with the supplies up, or the clash is named.
func TestProposedPartsWork(t *testing.T) {
	served := 0
	rapid.Check(t, func(t *rapid.T) {
		def, _ := grid(rapid.IntRange(2, 8).Draw(t, "channels"), 48)
		f := rapid.StringOfN(rapid.RuneFrom([]rune("ssSgiioon")), 1, 24, -1).Draw(t, "functions")
		d := part(rapid.SampledFrom(dut.Families()).Draw(t, "family"), f+f)
		pm, _, err := Propose(def, d)
		if bad := pm.Validate(def, allPins(d)); bad != nil {
			t.Fatal(bad)
		}
		var clash *Clash
		if err != nil && !errors.As(err, &clash) {
			t.Fatal(err)
		}
		groups := len(supplyGroups(d))
		if err != nil && groups+1 <= len(def.Channels) {
			t.Fatalf("%d levels on %d channels: %v", groups, len(def.Channels), err)
		}
		for _, n := range d.PinsOf(dut.Input, dut.Output) {
			if !possible(def, &pm, poweredNeeds(d, n)) {
				if err == nil {
					t.Fatalf("pin %d cannot be measured and nothing was said", n)
				}
				return
			}
			served++
		}
	})
	if served == 0 {
		t.Error("no pin was drawn that can be measured")
	}
}

func TestReach(t *testing.T) {
	def, pm := grid(2, 4)
	pm.Straps = []Strap{{Contact: 2, Kind: StrapReturn}, {Contact: 3, Kind: StrapChannel, Channel: 2}}
	words := func(pin int) string {
		var out []string
		for _, r := range Reach(def, pm, pin) {
			out = append(out, r.Words())
		}
		return strings.Join(out, "; ")
	}
	for pin, want := range map[int]string{
		1: "CH1, force and sense; CH2, force and sense; return, force and sense",
		2: "return, by a strap", 3: "CH2, force and sense, by a strap", 9: "",
	} {
		if got := words(pin); got != want {
			t.Errorf("pin %d: %q, want %q", pin, got, want)
		}
	}
}

func TestConflicts(t *testing.T) {
	d := part(dut.SingleRow, "igso")
	clean, pm := grid(4, 6)
	pm.Contacts = map[int]int{1: 1, 2: 2, 3: 3, 4: 4}
	if ps := Conflicts(clean, pm, d); len(ps) > 0 {
		t.Errorf("of nothing: %v", ps)
	}
	for _, tc := range []struct {
		name   string
		change func(*Definition, *PinMap)
		field  string
		says   []string
	}{
		{"no contact", func(_ *Definition, m *PinMap) { delete(m.Contacts, 1) }, "contacts[1]", []string{"no contact"}},
		{"doubled", func(_ *Definition, m *PinMap) { m.Contacts[4] = 1 }, "contacts[4]", []string{"already holds pin 1"}},
		{"beyond the socket", func(_ *Definition, m *PinMap) { m.Contacts[4] = 9 }, "contacts[4]", []string{"not on the bench"}},
		{"unreachable", func(d *Definition, _ *PinMap) {
			d.Paths = slices.DeleteFunc(d.Paths, func(p Path) bool { return p.Contact == 4 })
		}, "contacts[4]", []string{"no line reaches pin 4 O", "another contact"}},
		{"ground without return", func(d *Definition, _ *PinMap) {
			d.Paths = slices.DeleteFunc(d.Paths, func(p Path) bool { return p.Contact == 2 && p.Channel == 0 })
		}, "contacts[2]", []string{"return does not reach pin 2 G", "strap it"}},
		{"input strapped to the return", func(_ *Definition, m *PinMap) {
			m.Straps = []Strap{{Contact: 1, Kind: StrapReturn}}
		}, "contacts[1]", []string{"no channel reaches pin 1 I", "remove its strap"}},
		{"one multiplexer", func(d *Definition, _ *PinMap) {
			for i := range d.Paths {
				if d.Paths[i].Channel != 0 {
					d.Paths[i].Mux = "X"
				}
			}
		}, "contacts[1]", []string{"pins 1, 3 and 4", "multiplexer X"}},
		{"too few channels", func(d *Definition, _ *PinMap) {
			d.Paths = slices.DeleteFunc(d.Paths, func(p Path) bool { return p.Channel > 1 })
		}, "contacts[1]", []string{"multiplexer M1-0"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			def, pm := grid(4, 6)
			pm.Contacts = map[int]int{1: 1, 2: 2, 3: 3, 4: 4}
			tc.change(def, pm)
			ps := Conflicts(def, pm, d)
			if !slices.ContainsFunc(ps, func(p dut.Problem) bool {
				return p.Field == tc.field && !slices.ContainsFunc(tc.says, func(s string) bool { return !strings.Contains(p.Message, s) })
			}) {
				t.Errorf("%v", ps)
			}
		})
	}
}

func TestWiringSheet(t *testing.T) {
	def, _ := grid(1, 48)
	d := part(dut.DualRow, "iogsno")
	contacts, _, _ := Seat(48, d.Package, allPins(d))
	pm := &PinMap{Contacts: contacts, Straps: []Strap{
		{Contact: 1, Kind: StrapResistor, To: 48, Resistance: 4700}, {Contact: 3, Kind: StrapReturn},
	}}
	got := WiringSheet(def, pm, d)
	lines := []string{"CH1, force and sense", "return, force and sense"}
	want := []WiringRow{
		{Pin: 3, Name: "G", Function: dut.Ground, Contact: 3, Row: "left", Position: 3, Straps: []string{"to the return"}, Lines: []string{"return, by a strap"}},
		{Pin: 4, Name: "S", Function: dut.Supply, Contact: 46, Row: "right", Position: 3, Lines: lines},
		{Pin: 1, Name: "I", Function: dut.Input, Contact: 1, Row: "left", Position: 1, Straps: []string{"4.70 kΩ to contact 48, pin 6 O"}, Lines: lines},
		{Pin: 2, Name: "O", Function: dut.Output, Contact: 2, Row: "left", Position: 2, Lines: lines},
		{Pin: 6, Name: "O", Function: dut.Output, Contact: 48, Row: "right", Position: 1, Lines: lines},
		{Pin: 5, Name: "N", Function: dut.NoConnect, Contact: 47, Row: "right", Position: 2, Lines: lines},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

package web

import (
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

func testSocket(family dut.Family, contacts map[int]int, straps ...bench.Strap) *Socket {
	s := &Socket{ID: "s", Title: "A <socket>", Contacts: 48, Package: dut.Package{Family: family, Pins: len(contacts)},
		Map: bench.PinMap{Contacts: contacts, Straps: straps}, Bench: &bench.Definition{Contacts: 48, Channels: []bench.Channel{{ID: 1, Name: "1A"}}}}
	for n := range len(contacts) {
		s.Pins = append(s.Pins, dut.Pin{Number: n + 1, Name: "<b>&" + string(rune('A'+n)), Function: dut.Functions()[n%7]})
	}
	return s
}

// wellFormed reads a drawing as XML and counts elements of a class.
func wellFormed(t *testing.T, svg string) map[string]int {
	t.Helper()
	classes := map[string]int{}
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return classes
		}
		if err != nil {
			t.Fatalf("not well formed: %v", err)
		}
		if e, ok := token.(xml.StartElement); ok {
			for _, a := range e.Attr {
				if a.Name.Local == "class" {
					for _, c := range strings.Fields(a.Value) {
						classes[c]++
					}
				}
			}
		}
	}
}

func TestSocketStraight(t *testing.T) {
	dual := map[int]int{1: 1, 2: 2, 3: 3, 4: 46, 5: 47, 6: 48}
	for name, c := range map[string]struct {
		s    *Socket
		want bool
	}{
		"at the end":      {testSocket(dut.DualRow, dual), true},
		"further down":    {testSocket(dut.DualRow, map[int]int{1: 5, 2: 6, 3: 42, 4: 43}), false},
		"down straight":   {testSocket(dut.DualRow, map[int]int{1: 5, 2: 6, 3: 43, 4: 44}), true},
		"turned about":    {testSocket(dut.DualRow, map[int]int{1: 48, 2: 47, 3: 2, 4: 1}), false},
		"one pin moved":   {testSocket(dut.DualRow, map[int]int{1: 1, 2: 3, 3: 47, 4: 48}), false},
		"quad":            {testSocket(dut.Quad, map[int]int{1: 1, 2: 2, 3: 47, 4: 48}), false},
		"single row":      {testSocket(dut.SingleRow, map[int]int{1: 1, 2: 2, 3: 3}), true},
		"without contact": {testSocket(dut.DualRow, map[int]int{1: 0, 2: 0}), false},
	} {
		if got := c.s.Straight(); got != c.want {
			t.Errorf("%s: straight is %v", name, got)
		}
		classes := wellFormed(t, c.s.draw())
		if classes["contact"] != 48 || classes["adapter"] > 0 && c.want {
			t.Errorf("%s: %v", name, classes)
		}
	}
	if c := wellFormed(t, testSocket(dut.DualRow, dual).draw()); c["one"] != 1 || c["notch"] != 1 || c["taken"] != 6 || c["strapless"] != 1 {
		t.Errorf("a straight part is drawn as %v", c)
	}
}

func TestSocketStrapsAndFaults(t *testing.T) {
	s := testSocket(dut.DualRow, map[int]int{1: 1, 2: 1, 3: 47, 4: 60},
		bench.Strap{Contact: 1, Kind: bench.StrapReturn}, bench.Strap{Contact: 2, Kind: bench.StrapChannel, Channel: 1},
		bench.Strap{Contact: 3, Kind: bench.StrapResistor, Resistance: 4700}, bench.Strap{Contact: 4, Kind: bench.StrapResistor, To: 9, Resistance: 1e6},
		bench.Strap{Contact: 5, Kind: bench.StrapResistor, To: 40, Resistance: 10}, bench.Strap{Contact: 99, Kind: bench.StrapReturn},
		bench.Strap{Contact: 6, Kind: bench.StrapChannel, Channel: 9}, bench.Strap{Contact: 7, Kind: bench.StrapResistor, To: -3, Resistance: -1})
	svg := s.draw()
	c := wellFormed(t, svg)
	if c["strap"] != 7 || c["doubled"] != 1 || c["wrong"] != 2 || c["pin"] != 3 {
		t.Errorf("drawn as %v", c)
	}
	for _, text := range []string{">1A<", ">4.7k<", ">1M<", ">to 40<", ">to 5<"} {
		if !strings.Contains(svg, text) {
			t.Errorf("%s is not drawn", text)
		}
	}
}

func TestGroupNotes(t *testing.T) {
	var notes []PinNote
	for _, n := range []int{1, 2, 4, 5, 6, 9} {
		p := dut.Pin{Number: n, Name: "P"}
		notes = append(notes, PinNote{ID: "x", Field: "maxI", Pin: p, Message: "pin " + p.Label() + " is rated for no current"})
	}
	notes = append(notes, PinNote{Field: "power", Message: "alike"}, PinNote{Field: "power", Message: "alike"},
		PinNote{Field: "maxV", Pin: dut.Pin{Number: 7, Name: "Q"}, Message: "pin 7 Q is rated for no current"})
	got := GroupNotes(notes, Finding{Warning: true})
	if len(got) != 4 || got[0].Same != "pins 2, 4 to 6 and 9" || got[0].Message != "pin 1 P is rated for no current" || !got[0].Warning || got[3].Same != "" {
		t.Errorf("grouped as %+v", got)
	}
	for want, pins := range map[string][]int{"pin 3": {3}, "pins 3 and 4": {3, 4}, "pins 3 to 5": {3, 4, 5}, "pins 1, 3 and 5": {1, 3, 5}} {
		if got := pinSpans(pins); got != want {
			t.Errorf("%v is named %q, want %q", pins, got, want)
		}
	}
}

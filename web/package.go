package web

import (
	"fmt"
	"math"
	"slices"
	"unicode/utf8"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// PinMark is one pin of a package drawing with its present state: connection,
// values, outcome.
type PinMark struct {
	Number   int
	Name     string
	Function dut.Function
	Use      procedure.Use // what it is connected to; "" or open: nothing
	Channel  string        // name of the channel, where it has one
	Level    float64       // set on the channel, V or A by Use
	V, I     float64       // last sensed; NaN: never
	Flags    bench.Flags
	Outcome  derive.Outcome // worst of the pin's results
	Judged   bool           // Outcome says something
	Href     string         // where a pick leads; "" where pins cannot be picked
	Selected bool
}

// byNumber returns a device's pins in ascending order, however it lists them.
func byNumber(d *dut.Device) []dut.Pin {
	return slices.SortedFunc(slices.Values(d.Pins), func(a, b dut.Pin) int { return a.Number - b.Number })
}

// Marks returns the pins of a device for a drawing, in ascending order, with
// nothing connected.
func Marks(d *dut.Device) []PinMark {
	out := make([]PinMark, len(d.Pins))
	for i, p := range byNumber(d) {
		out[i] = PinMark{Number: p.Number, Name: p.Name, Function: p.Function, V: math.NaN(), I: math.NaN()}
	}
	return out
}

// JudgePins enters the worst outcome of each pin's results.
func JudgePins(pins []PinMark, results ...[]procedure.Result) {
	worst := map[int]derive.Outcome{}
	for _, of := range results {
		for _, r := range of {
			if r.Pin != 0 && r.Outcome != derive.NoLimits {
				worst[r.Pin] = derive.Worst(worst[r.Pin], r.Outcome)
			}
		}
	}
	for i := range pins {
		pins[i].Outcome, pins[i].Judged = worst[pins[i].Number], worst[pins[i].Number] != derive.NoLimits
	}
}

// Same reports whether two marks look the same. A value that is not known is
// like another.
func (p PinMark) Same(q PinMark) bool {
	for _, v := range []*float64{&p.V, &p.I, &p.Level, &q.V, &q.I, &q.Level} {
		if math.IsNaN(*v) {
			*v = math.Inf(-1)
		}
	}
	return p == q
}

// Connection returns what the pin is connected to, in a word or two.
func (p PinMark) Connection() string {
	switch {
	case p.Use == procedure.UseReturn:
		return "return"
	case p.Use.TakesChannel() && p.Channel != "":
		return p.Channel
	case p.Use.TakesChannel():
		return "channel"
	}
	return ""
}

// Values returns the last V and I, or "" before the first reading.
func (p PinMark) Values() string {
	if math.IsNaN(p.V) && math.IsNaN(p.I) {
		return ""
	}
	s := quantity.Format(p.V, quantity.Volt, 4) + "  " + quantity.Format(p.I, quantity.Ampere, 4)
	if p.Flags.Has(bench.InCompliance) {
		s = "○ " + s
	}
	return s
}

// Spoken returns the pin in words, for a screen reader and the pointer.
func (p PinMark) Spoken() string {
	s := fmt.Sprintf("Pin %d %s, %s", p.Number, p.Name, p.Function)
	if c := p.Connection(); c != "" {
		s += ", on " + c
	}
	if !math.IsNaN(p.V) {
		s += ", " + quantity.Format(p.V, quantity.Volt, 4)
	}
	if !math.IsNaN(p.I) {
		s += ", " + quantity.Format(p.I, quantity.Ampere, 4)
	}
	if p.Flags.Has(bench.InCompliance) {
		s += ", at compliance"
	}
	if p.Judged {
		s += ", " + outcomeWord(p.Outcome)
	}
	if p.Selected {
		s += ", picked"
	}
	return s
}

// Drawing is the drawing of a package seen from above.
type Drawing struct {
	ID      string // of the element
	Title   string
	Package dut.Package
	Pins    []PinMark
	Live    bool // leave room for connection, V and I
}

// side is the side of the package that a pin leaves from; also its rotation in
// quarter turns, for a pin symbol drawn as leaving to the left.
type side int

const (
	left side = iota
	top
	right
	bottom
)

// spot is the point where a pin meets the body.
type spot struct {
	x, y float64
	side side
}

// outline is the laid out package, in the drawing's own units, which are CSS
// pixels on a 390 px wide page.
type outline struct {
	w, h       float64
	x, y       float64 // of the body
	bw, bh     float64
	spots      []spot // by pin number, from 1; spots[0] is unused
	grid       bool   // pins lie on the body
	cell, rise float64
	wide       bool // keeps a minimum width, scrolls on narrow pages
	small      bool // has no need of the whole width
}

const (
	stubLength = 14.0
	reach      = 140.0 // most room for the labels of one side
	quadReach  = 132.0
)

// layout places every pin.
func (d *Drawing) layout() outline {
	n := min(max(d.Package.Pins, 1), dut.MaxPins)
	switch d.Package.Family {
	case dut.Quad:
		return d.layoutQuad(n)
	case dut.SingleRow:
		return d.layoutSingle(n)
	case dut.Grid:
		return d.layoutGrid(n)
	}
	return d.layoutDual(n)
}

func (d *Drawing) pitch() float64 {
	if d.Live {
		return 36
	}
	return 26
}

// room returns the width that the labels of one side take. Without values it
// is the names'.
func (d *Drawing) room() float64 {
	if d.Live {
		return reach
	}
	longest := 4
	for _, p := range d.Pins {
		longest = max(longest, utf8.RuneCountInString(p.Name))
	}
	return min(12+7.5*float64(longest), reach)
}

// layoutDual places the pins of a package with two rows: the first half down
// the left side and the rest up the right.
func (d *Drawing) layoutDual(n int) outline {
	rows := (n + 1) / 2
	pitch, room := d.pitch(), d.room()
	o := outline{w: 92 + 2*(room+stubLength), x: room + stubLength, y: 12, bw: 92, bh: float64(rows)*pitch + 6, small: !d.Live}
	o.h = o.bh + 24
	o.spots = make([]spot, n+1)
	row := func(r float64) float64 { return o.y + 3 + (r+0.5)*pitch }
	for i := range rows {
		o.spots[i+1] = spot{o.x, row(float64(i)), left}
	}
	others := n - rows
	for i := range others {
		r := float64(rows-1) / 2
		if others > 1 {
			r = float64(rows-1) * (1 - float64(i)/float64(others-1))
		}
		o.spots[rows+i+1] = spot{o.x + o.bw, row(r), right}
	}
	return o
}

// layoutQuad places the pins of a package with four sides: down the left,
// along the bottom, up the right and back along the top.
func (d *Drawing) layoutQuad(n int) outline {
	k := max((n+3)/4, 1)
	const pitch = 30.0
	// The corners stay clear, so that the numbers of two sides do not meet.
	body := max(float64(k)*pitch+40, 120)
	room := quadReach
	if !d.Live {
		room = min(d.room(), quadReach)
	}
	o := outline{x: room + stubLength, y: room + stubLength, bw: body, bh: body, wide: true}
	o.w, o.h = body+2*o.x, body+2*o.y
	o.spots = make([]spot, n+1)
	start := (body - float64(k)*pitch) / 2
	for i := range n {
		along := start + (float64(i%k)+0.5)*pitch
		s := spot{o.x, o.y + along, left}
		switch i / k {
		case 1:
			s = spot{o.x + along, o.y + body, bottom}
		case 2:
			s = spot{o.x + body, o.y + body - along, right}
		case 3:
			s = spot{o.x + body - along, o.y, top}
		}
		o.spots[i+1] = s
	}
	return o
}

// layoutSingle places the pins of a package with one row, down one side.
func (d *Drawing) layoutSingle(n int) outline {
	pitch := d.pitch()
	o := outline{w: 400, x: 60, y: 12, bw: 92, bh: float64(n)*pitch + 6}
	o.h = o.bh + 24
	o.spots = make([]spot, n+1)
	for i := range n {
		o.spots[i+1] = spot{o.x + o.bw, o.y + 3 + (float64(i)+0.5)*pitch, right}
	}
	return o
}

// layoutGrid places the pins of a grid in rows, from the top left.
func (d *Drawing) layoutGrid(n int) outline {
	columns := d.Package.Columns
	if columns < 1 {
		columns = int(math.Ceil(math.Sqrt(float64(n))))
	}
	columns = min(columns, n)
	rows := (n + columns - 1) / columns
	o := outline{x: 6, y: 6, grid: true, cell: 86, rise: 34, wide: columns > 4}
	if d.Live {
		o.rise = 64
	}
	o.bw, o.bh = float64(columns)*o.cell+8, float64(rows)*o.rise+8
	o.w, o.h = o.bw+12, o.bh+12
	o.spots = make([]spot, n+1)
	for i := range n {
		o.spots[i+1] = spot{x: o.x + 4 + float64(i%columns)*o.cell, y: o.y + 4 + float64(i/columns)*o.rise}
	}
	return o
}

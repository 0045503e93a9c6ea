package web

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

func drawingOf(p dut.Package, live bool) Drawing {
	d := Drawing{ID: "d", Title: "Package", Package: p, Live: live}
	for i := range p.Pins {
		d.Pins = append(d.Pins, PinMark{Number: i + 1, Name: fmt.Sprintf("P%d", i+1), Function: dut.Analog, V: math.NaN(), I: math.NaN()})
	}
	return d
}

// Every family and count of pins: each pin has its own place, inside the drawing.
func TestEveryPackageHasEveryPin(t *testing.T) {
	for _, f := range dut.Families() {
		for n := 1; n <= dut.MaxPins; n++ {
			for _, live := range []bool{false, true} {
				d := drawingOf(dut.Package{Family: f, Pins: n}, live)
				svg := parseSVG(t, d.draw())
				if got := len(svg.class("pin")); got != n {
					t.Fatalf("%s, %d pins: %d drawn", f, n, got)
				}
				o := d.layout()
				seen := map[spot]bool{}
				for i, s := range o.spots[1:] {
					if s.x < 0 || s.x > o.w || s.y < 0 || s.y > o.h {
						t.Errorf("%s, %d pins: pin %d at %v, outside %g × %g", f, n, i+1, s, o.w, o.h)
					}
					if seen[s] {
						t.Errorf("%s, %d pins: pin %d shares its place", f, n, i+1)
					}
					seen[s] = true
				}
			}
		}
	}
}

// Pins are counted against the clock from pin 1 at the top left, seen from
// above (common practice for dual-row and quad packages).
func TestPinsRunAgainstTheClock(t *testing.T) {
	for _, p := range []dut.Package{{Family: dut.DualRow, Pins: 14}, {Family: dut.Quad, Pins: 48}} {
		o := (&Drawing{Package: p, Live: true}).layout()
		cx, cy := o.x+o.bw/2, o.y+o.bh/2
		first := o.spots[1]
		if first.side != left || first.y > cy {
			t.Errorf("%s: pin 1 at %v", p.Family, first)
		}
		turned := 0.0
		for n := 1; n < p.Pins; n++ {
			a, b := o.spots[n], o.spots[n+1]
			step := math.Atan2(-(b.y-cy), b.x-cx) - math.Atan2(-(a.y-cy), a.x-cx)
			step = math.Remainder(step, 2*math.Pi)
			if step <= 0 {
				t.Errorf("%s: pin %d lies back from pin %d", p.Family, n+1, n)
			}
			turned += step
		}
		if turned <= 0 || turned >= 2*math.Pi {
			t.Errorf("%s: turned by %g", p.Family, turned)
		}
	}
}

// Five pins, as small regulators have: 1 to 3 down the left, 4 at the bottom
// right, 5 at the top right.
func TestOddDualRow(t *testing.T) {
	o := (&Drawing{Package: dut.Package{Family: dut.DualRow, Pins: 5}}).layout()
	if o.spots[4].y != o.spots[3].y || o.spots[5].y != o.spots[1].y || o.spots[4].side != right {
		t.Errorf("places %v", o.spots)
	}
}

func TestPinSaysWhatIsKnown(t *testing.T) {
	d := hexInverter()
	pins := Marks(&d)
	pins[0].Use, pins[0].Channel, pins[0].V, pins[0].I, pins[0].Flags = procedure.UseCurrent, "channel 2", -0.65432, -100e-6, bench.InCompliance
	pins[6].Use = procedure.UseReturn
	JudgePins(pins, []procedure.Result{{Pin: 1, Outcome: derive.Pass}, {Pin: 1, Outcome: derive.Fail}, {Pin: 2, Outcome: derive.NoLimits}})
	dr := Drawing{ID: "d", Title: "T", Package: d.Package, Pins: pins, Live: true}
	drawn := parseSVG(t, dr.draw()).class("pin")
	one := strings.Join(drawn[0].texts(), "|")
	if !strings.Contains(one, "−654.3 mV") || !strings.Contains(one, "−100.0 µA") {
		t.Errorf("pin 1 shows %q", one)
	}
	if got, want := drawn[0].Children[0].Text, "Pin 1 1A, input, on channel 2, −654.3 mV, −100.0 µA, at compliance, fail"; got != want {
		t.Errorf("pin 1 is said to be %q, want %q", got, want)
	}
	if len(drawn[0].class("o-fail")) != 1 || len(drawn[1].class("mark-path")) != 0 {
		t.Error("outcome marks are wrong")
	}
	if c := drawn[6].attr("class"); !strings.Contains(c, "connected") {
		t.Errorf("pin 7 is on the return, but has class %q", c)
	}
}

// Text of a phone's drawing must be readable: at 358 px wide no smaller than
// 9.5 px, unless the drawing keeps a minimum width and scrolls.
func TestDrawingReadableOnPhone(t *testing.T) {
	for _, f := range dut.Families() {
		d := drawingOf(dut.Package{Family: f, Pins: 48}, true)
		o := d.layout()
		if shown := 11 * 358 / o.w; shown < 9.5 && !o.wide {
			t.Errorf("%s: text of %.1f px", f, shown)
		}
	}
}

func TestPinsCanBePicked(t *testing.T) {
	d := drawingOf(dut.Package{Family: dut.DualRow, Pins: 8}, true)
	for i := range d.Pins {
		d.Pins[i].Href = "/manual?pin=" + strconv.Itoa(i+1) + `&x="><script>`
	}
	d.Pins[2].Selected = true
	s := d.draw()
	svg := parseSVG(t, s)
	if strings.Contains(s, "<script") {
		t.Error("an address came through unescaped")
	}
	pins := svg.class("pin")
	if pins[2].XMLName.Local != "a" || !strings.HasPrefix(pins[2].attr("href"), "/manual?pin=3") || !strings.HasSuffix(pins[2].attr("aria-label"), "picked") {
		t.Errorf("pin 3: %+v", pins[2].Attrs)
	}
	if svg.attr("role") != "group" {
		t.Errorf("a drawing with links has the role %q, which hides them", svg.attr("role"))
	}
}

func TestEveryFunctionHasItsOwnShape(t *testing.T) {
	seen := map[string]dut.Function{}
	for _, f := range dut.Functions() {
		s := symbol(f)
		if other, dup := seen[s]; dup {
			t.Errorf("%s and %s look the same", f, other)
		}
		seen[s] = f
	}
}

func TestEveryOutcomeHasItsOwnMarkAndWord(t *testing.T) {
	paths, words := map[string]bool{}, map[string]bool{}
	for _, o := range append(Outcomes(), derive.NoLimits) {
		l := lookOf(o)
		if paths[l.path] || words[l.word] {
			t.Errorf("%q shares its mark or word", o)
		}
		paths[l.path], words[l.word] = true, true
		if h := render(t, Outcome(o)); !strings.Contains(h, l.word) || !strings.Contains(h, l.path) {
			t.Errorf("%q is shown as %s", o, h)
		}
	}
	if outcomeWord("something else") != "invalid" {
		t.Error("an unknown outcome must not look like a known one")
	}
}

var tooBig = regexp.MustCompile(`NaN|Inf`)

func TestDrawingNeverShowsNaN(t *testing.T) {
	d := part48(dut.Quad)
	pins := sampleMarks(&d)
	pins[0].V, pins[1].I = math.NaN(), math.Inf(1)
	dr := Drawing{ID: "d", Package: d.Package, Pins: pins, Live: true}
	if m := tooBig.FindString(dr.draw()); m != "" {
		t.Errorf("%q in the drawing", m)
	}
}

func TestMarksAreInOrder(t *testing.T) {
	d := dut.Device{Package: dut.Package{Family: dut.DualRow, Pins: 3}, Pins: []dut.Pin{{Number: 3}, {Number: 1}, {Number: 2}}}
	for i, m := range Marks(&d) {
		if m.Number != i+1 {
			t.Errorf("mark %d is of pin %d", i, m.Number)
		}
	}
}

package web

import (
	"encoding/xml"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"pgregory.net/rapid"
)

// tree is a drawing as elements, to be asked about.
type tree struct {
	XMLName  xml.Name
	Attrs    []xml.Attr `xml:",any,attr"`
	Children []tree     `xml:",any"`
	Text     string     `xml:",chardata"`
}

func parseSVG(t testing.TB, s string) tree {
	t.Helper()
	var root tree
	d := xml.NewDecoder(strings.NewReader(s))
	if err := d.Decode(&root); err != nil {
		t.Fatalf("not well-formed: %v in %.200s", err, s)
	}
	if _, err := d.Token(); err != io.EOF {
		t.Fatalf("something follows the drawing: %v", err)
	}
	return root
}

func (n tree) attr(name string) string {
	for _, a := range n.Attrs {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

// class finds all elements that have a class.
func (n tree) class(name string) []tree {
	var out []tree
	for _, c := range strings.Fields(n.attr("class")) {
		if c == name {
			out = append(out, n)
		}
	}
	for _, c := range n.Children {
		out = append(out, c.class(name)...)
	}
	return out
}

func (n tree) texts() []string {
	var out []string
	if n.XMLName.Local == "text" {
		out = append(out, n.Text)
	}
	for _, c := range n.Children {
		out = append(out, c.texts()...)
	}
	return out
}

func linePlot(x, y []float64) Plot {
	return Plot{ID: "p", Title: "T", X: Axis{Label: "Voltage", Unit: quantity.Volt}, Y: Axis{Label: "Current", Unit: quantity.Ampere}, Series: []Series{{X: x, Y: y, Line: true}}}
}

var place = regexp.MustCompile(`[ML](-?[\d.]+) (-?[\d.]+)`)

func TestPlotPlacesPoints(t *testing.T) {
	p := linePlot([]float64{0, 1, 2}, []float64{0, 1e-3, 2e-3})
	svg := parseSVG(t, string(p.draw(nil)))
	joined := svg.class("joined")
	if len(joined) != 1 {
		t.Fatalf("%d lines", len(joined))
	}
	got := place.FindAllStringSubmatch(joined[0].attr("d"), -1)
	if len(got) != 3 {
		t.Fatalf("%d points in %q", len(got), joined[0].attr("d"))
	}
	// Minor lines are 0.1 V and 0.1 mA apart, and one minor space is left free
	// at each end: 0 V lies 1/22 into the drawing.
	in := 1.0 / 22
	want := [][2]float64{{areaX + areaW*in, areaY + areaH*(1-in)}, {areaX + areaW/2, areaY + areaH/2}, {areaX + areaW*(1-in), areaY + areaH*in}}
	for i, m := range got {
		x, _ := strconv.ParseFloat(m[1], 64)
		y, _ := strconv.ParseFloat(m[2], 64)
		if math.Abs(x-want[i][0]) > 0.01 || math.Abs(y-want[i][1]) > 0.01 {
			t.Errorf("point %d at %g, %g, want %v", i, x, y, want[i])
		}
	}
	titles := svg.class("axis-title")
	if len(titles) != 2 || titles[0].Text != "Voltage / V" || titles[1].Text != "Current / mA" {
		t.Errorf("axis titles %+v", titles)
	}
}

func TestPlotTicks(t *testing.T) {
	for _, c := range []struct {
		name  string
		axis  Axis
		lo    float64
		hi    float64
		title string
		want  []string
	}{
		{"microampere", Axis{Label: "I", Unit: quantity.Ampere}, -1e-6, 4e-6, "I / µA", []string{"−1", "0", "1", "2", "3", "4"}},
		{"halves", Axis{Label: "U", Unit: quantity.Volt}, 0, 2.4, "U / V", []string{"0.0", "0.5", "1.0", "1.5", "2.0", "2.5"}},
		{"decades", Axis{Label: "I", Unit: quantity.Ampere, Log: true}, 2e-9, 5e-6, "I / A", []string{"1 nA", "10 nA", "100 nA", "1 µA", "10 µA"}},
		{"tiny span", Axis{Label: "U", Unit: quantity.Volt}, 2.500120, 2.500130, "U − 2.50012 V / µV", []string{"0", "2", "4", "6", "8", "10"}},
		{"number", Axis{Label: "Unit"}, 1, 24, "Unit", []string{"0", "5", "10", "15", "20", "25"}},
		{"constant", Axis{Label: "U", Unit: quantity.Volt}, 3, 3, "U / V", []string{"2.7", "2.8", "2.9", "3.0", "3.1", "3.2", "3.3"}},
		{"temperature", Axis{Label: "T", Unit: quantity.Celsius}, 20, 100, "T / °C", []string{"20", "40", "60", "80", "100"}},
	} {
		s := scale{axis: c.axis}
		var e extent
		for _, v := range []float64{c.lo, c.hi} {
			got, ok := s.value(v)
			if !ok {
				t.Fatalf("%s: %g cannot be drawn", c.name, v)
			}
			e.add(got)
		}
		s.fit(e, 6)
		major, _ := s.ticks()
		var labels []string
		for _, m := range major {
			labels = append(labels, m.label)
		}
		if strings.Join(labels, "|") != strings.Join(c.want, "|") || s.title() != c.title {
			t.Errorf("%s: %q with %q, want %q with %q", c.name, s.title(), labels, c.title, c.want)
		}
	}
}

func TestPlotMarksCompliance(t *testing.T) {
	p := linePlot([]float64{0, 1, 2}, []float64{0, 1, 1})
	p.Series[0].Hollow = []bool{false, false, true}
	svg := parseSVG(t, string(p.draw(nil)))
	if h := svg.class("hole"); len(h) != 1 || strings.Count(h[0].attr("d"), "M") != 1 {
		t.Errorf("hollow marks: %+v", h)
	}
	filled := 0
	for _, m := range svg.class("mark") {
		if m.attr("class") == "mark" {
			filled += strings.Count(m.attr("d"), "M")
		}
	}
	if filled != 2 {
		t.Errorf("%d filled marks", filled)
	}
	if page := render(t, Figure(p)); !strings.Contains(page, "taken at compliance") {
		t.Error("the figure does not say what a hollow mark is")
	}
}

func TestPlotBreaksLineAtGap(t *testing.T) {
	p := linePlot([]float64{0, 1, 2, 3}, []float64{0, math.NaN(), 1, 2})
	d := parseSVG(t, string(p.draw(nil))).class("joined")[0].attr("d")
	if strings.Count(d, "M") != 2 || strings.Count(d, "L") != 1 {
		t.Errorf("line %q", d)
	}
}

func TestPlotBandShadesBeyondLimits(t *testing.T) {
	p := linePlot([]float64{0, 1}, []float64{0, 1})
	p.Band = procedure.Limit{Low: fp(0.2), High: fp(0.8)}
	svg := parseSVG(t, string(p.draw(nil)))
	if len(svg.class("beyond")) != 2 || len(svg.class("limit")) != 2 {
		t.Fatalf("%d shades, %d limits", len(svg.class("beyond")), len(svg.class("limit")))
	}
	far := linePlot([]float64{0, 1}, []float64{0, 1})
	far.Band = procedure.Limit{High: fp(1e6)}
	_, sy, _, _ := far.scales()
	if sy.hi > 10 {
		t.Errorf("a far limit pressed the data together: axis to %g", sy.hi)
	}
}

func TestPlotOnLogAxisSaysWhatIsLeftOut(t *testing.T) {
	p := linePlot([]float64{0, 1, 2}, []float64{-1e-9, 0, 1e-6})
	p.Y.Log = true
	if p.Left() != 2 {
		t.Errorf("%d left out", p.Left())
	}
	if page := render(t, Figure(p)); !strings.Contains(page, "2 readings at or below zero") {
		t.Error("the figure does not say that readings are left out")
	}
}

func TestPlotEmpty(t *testing.T) {
	for _, p := range []Plot{linePlot(nil, nil), linePlot([]float64{math.NaN()}, []float64{1}), {ID: "p", Empty: "Nothing <yet>"}} {
		svg := parseSVG(t, string(p.draw(nil)))
		if len(svg.class("plot-empty")) != 1 || svg.attr("data-plot") != "" {
			t.Errorf("empty plot %+v", p)
		}
	}
}

// noNumber finds what must never reach a browser.
var noNumber = regexp.MustCompile(`NaN|Inf|∞|%!| (?:d|x|y|width|height)="[^"]*e`)

func anyFloat(t *rapid.T, name string) float64 {
	return rapid.OneOf(rapid.Float64(), rapid.Float64Range(-10, 10), rapid.Float64Range(4.999999, 5.000001),
		rapid.SampledFrom([]float64{0, math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, 5e-324, 1e-15, -1e-12, 1e30, 1e12})).Draw(t, name)
}

func TestPlotIsAlwaysSound(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		p := Plot{ID: "p", Title: "T", X: Axis{Label: "x", Unit: quantity.Volt, Log: rapid.Bool().Draw(rt, "logX")}, Y: Axis{Label: "y", Unit: quantity.Ampere, Log: rapid.Bool().Draw(rt, "logY")}}
		for range rapid.IntRange(0, 3).Draw(rt, "series") {
			s := Series{Line: rapid.Bool().Draw(rt, "line")}
			for range rapid.IntRange(0, 8).Draw(rt, "n") {
				s.X, s.Y = append(s.X, anyFloat(rt, "x")), append(s.Y, anyFloat(rt, "y"))
				s.Hollow = append(s.Hollow, rapid.Bool().Draw(rt, "hollow"))
			}
			p.Series = append(p.Series, s)
		}
		if rapid.Bool().Draw(rt, "band") {
			p.Band = procedure.Limit{Low: fp(anyFloat(rt, "low")), High: fp(anyFloat(rt, "high"))}
		}
		out := string(p.draw(nil))
		if m := noNumber.FindString(out); m != "" {
			rt.Fatalf("%q in %s", m, out)
		}
		parseSVG(t, out)
		if n := strings.Count(out, "<text"); n > 60 {
			rt.Fatalf("%d labels", n)
		}
	})
}

// A subnormal number once made a step of zero.
func TestPlotOfSubnormalIsSound(t *testing.T) {
	p := linePlot([]float64{0, 5e-324}, []float64{1, 1e12})
	if m := noNumber.FindString(string(p.draw(nil))); m != "" {
		t.Errorf("%q in the drawing", m)
	}
}

func bigPlot() Plot {
	p := Plot{ID: "p", Title: "T", X: Axis{Label: "Time", Unit: quantity.Second}, Y: Axis{Label: "Voltage", Unit: quantity.Volt}}
	for k := range 2 {
		s := Series{Label: "s", Line: k == 0, Hollow: make([]bool, 1600)}
		for i := range 1600 {
			s.X, s.Y = append(s.X, float64(i)*1e-3), append(s.Y, math.Sin(float64(i)/50)+float64(k))
		}
		p.Series = append(p.Series, s)
	}
	return p
}

// Two series of 1600 points have a millisecond.
func BenchmarkPlot(b *testing.B) {
	p := bigPlot()
	var buf []byte
	for b.Loop() {
		buf = p.draw(buf[:0])
	}
	b.ReportMetric(float64(len(buf)), "bytes")
}

// TestPlotAsksForLittle: drawing asks for memory a few times for each text, and
// not for each point.
func TestPlotAsksForLittle(t *testing.T) {
	p := bigPlot()
	if allocs := testing.AllocsPerRun(10, func() { p.draw(nil) }); allocs > 1600 {
		t.Errorf("2 × 1600 points take %g allocations", allocs)
	}
}

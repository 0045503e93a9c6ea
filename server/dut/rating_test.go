package dut

import (
	"maps"
	"math"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/quantity"
)

// TestEveryRatingIsALine: each value of a Pin that is a float stands in the
// table of ratings once, under its name in JSON, and in the order of the fields.
func TestEveryRatingIsALine(t *testing.T) {
	var p Pin
	v := reflect.ValueOf(&p).Elem()
	var want []string
	for i := range v.NumField() {
		if v.Field(i).Kind() != reflect.Float64 {
			continue
		}
		name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
		want = append(want, name)
		r, ok := ratingOf(Meaning(name))
		if !ok {
			t.Errorf("no line of ratings is for %s", name)
			continue
		}
		if r.Of(&p) != v.Field(i).Addr().Interface().(*float64) {
			t.Errorf("the line for %s holds another field", name)
		}
	}
	var got []string
	for _, r := range Ratings() {
		got = append(got, string(r.Means))
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// TestRatingsAreWhole: every line says all that screens, forms and pasted
// tables need of it, and its own heading is read back as it.
func TestRatingsAreWhole(t *testing.T) {
	for _, r := range Ratings() {
		if r.Heading == "" || r.Spoken == "" || r.What == "" || r.Most <= 0 || !strings.Contains(r.Words, "%s") || r.Rule == nil {
			t.Errorf("%s: %+v", r.Means, r)
		}
		if means, _ := readHeading(r.Heading); means != r.Means {
			t.Errorf("the heading %q is read as %q", r.Heading, means)
		}
		for _, h := range r.Headings {
			if means, _ := readHeading(h); means != r.Means {
				t.Errorf("the heading %q is read as %q, not %s", h, means, r.Means)
			}
		}
		var p Pin
		*r.Of(&p) = 0.25
		if r.Value(p) != 0.25 || r.Say(p) != strings.Replace(r.Words, "%s", "250 m"+string(r.Unit), 1) {
			t.Errorf("%s: %g, %q", r.Means, r.Value(p), r.Say(p))
		}
		if !slices.Contains(pastedOrder(), r.Means) {
			t.Errorf("no pasted column of %s is read", r.Means)
		}
	}
}

// TestRatingBounds: what a device may state, at and beyond each end.
func TestRatingBounds(t *testing.T) {
	for _, c := range []struct {
		means Meaning
		value float64
		says  string
	}{
		{MeansMaxV, 60, ""}, {MeansMaxV, 60.001, "must lie within ±60 V"}, {MeansMaxV, math.NaN(), "must lie within ±60 V"},
		{MeansMinV, -60, ""}, {MeansMinV, -61, "must lie within ±60 V"}, {MeansMinV, math.Inf(-1), "must lie within ±60 V"},
		{MeansAboveClamp, 0, ""}, {MeansAboveClamp, 61, "must lie within ±60 V"},
		{MeansMaxI, 0, ""}, {MeansMaxI, 10, ""}, {MeansMaxI, 10.1, "must be between 0 and 10 A"},
		{MeansMaxI, -1e-3, "must be between 0 and 10 A"}, {MeansMaxI, math.NaN(), "must be between 0 and 10 A"},
	} {
		r, _ := ratingOf(c.means)
		var ps Problems
		var p Pin
		*r.Of(&p) = c.value
		r.check(&ps, "pins[2].", p)
		switch {
		case c.says == "" && len(ps) == 0:
		case c.says != "" && len(ps) == 1 && ps[0] == Problem{"pins[2]." + string(c.means), c.says}:
		default:
			t.Errorf("%s of %g: %v", c.means, c.value, ps)
		}
	}
}

// TestUnrated: nothing that a bench can do exceeds it, and the rest of the pin
// stays.
func TestUnrated(t *testing.T) {
	p := amplifier().Pins[1]
	q := p.Unrated()
	for _, r := range Ratings() {
		if v := r.Value(q); r.Lowest && v > -1e6 || !r.Lowest && v < 1e6 {
			t.Errorf("%s is %g", r.Means, v)
		}
		*r.Of(&q) = r.Value(p)
	}
	if diff := cmp.Diff(p, q); diff != "" {
		t.Error(diff)
	}
}

// addRating has one more line in the table until the test ends.
func addRating(t *testing.T, r Rating) {
	t.Helper()
	had, heads, rules := ratings, maps.Clone(headings), headingRules
	t.Cleanup(func() { ratings, headings, headingRules = had, heads, rules })
	ratings = append(slices.Clone(ratings), r)
	headings = withRatings(maps.Clone(headings))
	headingRules = slices.Concat(ratingRules(), headingRules)
}

// heat is a rating that no pin has: its value stands in a field of another.
func heat() Rating {
	return Rating{
		Means: "heat", Heading: "Max P", Spoken: "highest power", What: "highest rated power",
		Unit: quantity.Watt, Of: func(p *Pin) *float64 { return &p.AboveClamp }, Optional: true, Most: 2, Words: "at most %s",
		Exceeded: func(p Pin, s Stress) string {
			if most := max(s.High, -s.Low) * s.Current; most > p.AboveClamp {
				return quantity.Short(most, quantity.Watt)
			}
			return ""
		},
		Headings: []string{"pmax"}, Rule: regexp.MustCompile(`\b(power|dissipation|heat)\b`),
	}
}

// TestAnotherRating: a line more is all that a rating needs to be pasted,
// validated, said, compared and looked at.
func TestAnotherRating(t *testing.T) {
	addRating(t, heat())
	got := ParsePinTable("Pin\tName\tType\tMax dissipation\n1\tA\tanalog\t250 mW\n2\tB\tanalog\t1\n3\tC\tanalog\t5 W\n4\tD\tanalog\tplenty\n5\tGND\tG\t-\n")
	pins := got.Pins()
	if len(pins) != 5 || pins[0].AboveClamp != 0.25 || pins[1].AboveClamp != 1 || pins[2].AboveClamp != 0 || pins[4].AboveClamp != 0 {
		t.Errorf("%+v", pins)
	}
	if !got.Rows[0].Gave("heat") || got.Rows[2].Gave("heat") {
		t.Error("what the table gave is not what was understood")
	}
	contains(t, "problem", written(got.Problems), []string{"line 4 column 4: “5 W”: is beyond what a device may state", "line 5 column 4: “plenty”"})
	contains(t, "warning", written(got.Warnings), []string{"the numbers are taken in W"})

	a := amplifier()
	for i := range a.Pins {
		a.Pins[i].AboveClamp = 0.25
	}
	b := a.Clone()
	b.Pins[0].AboveClamp = 3
	contains(t, "problem", b.Validate().Error(), []string{"pins[0].heat: must be between 0 and 2 W"})
	found := false
	for _, c := range Diff(&a, &b) {
		found = found || c == Change{"pins[0].heat", "pin 1 VP: highest rated power", "250 mW", "3 W"}
	}
	if !found {
		t.Errorf("%+v", Diff(&a, &b))
	}
	if got := FurtherOf(a.Pins[0]); !slices.Equal(got, []string{"at most 250 mW"}) {
		t.Errorf("%q", got)
	}
	c := a.Clone()
	c.Pins = c.Pins[:3]
	if got := Diff(&a, &c); len(got) != 1 || !strings.HasSuffix(got[0].Before, ", at most 250 mW") {
		t.Errorf("%+v", got)
	}
	r, _ := ratingOf("heat")
	if why := r.Exceeded(a.Pins[0], Stress{Low: -5, High: 2, Current: 0.1}); why != "500 mW" {
		t.Errorf("%q", why)
	}
}

// TestFurtherRatingCells: a further rating is read as one plain quantity.
func TestFurtherRatingCells(t *testing.T) {
	r := heat()
	for _, c := range []struct {
		cell, unit string
		want       float64
		assumed    bool
		wrong      bool
	}{
		{"250 mW", "", 0.25, false, false}, {"250", "mW", 0.25, false, false}, {"0.25", "", 0.25, true, false},
		{"max. 1 W", "", 1, false, false}, {"≤ 500 mW", "", 0.5, false, false}, {"1,5 W", "", 1.5, false, false},
		{"2.1 W", "", 0, false, true}, {"-1 W", "", 0, false, true}, {"5 V", "", 0, false, true}, {"", "", 0, false, true}, {"1 to 2 W", "", 0, false, true},
	} {
		v, assumed, why := r.read(c.cell, c.unit)
		if v != c.want || assumed != c.assumed || (why != "") != c.wrong {
			t.Errorf("%q in %q: %g, assumed %t, %q", c.cell, c.unit, v, assumed, why)
		}
	}
}

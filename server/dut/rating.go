package dut

import (
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/quantity"
)

// Rating is one absolute maximum rating of a pin: the field of Pin that holds
// it, and everything that the program says and checks of it. A rating is a
// field of Pin and a line in ratings; JSON, changes, pasted tables, proposals,
// validation, warnings, forms and the check before power follow from the line.
type Rating struct {
	Means   Meaning       // name in JSON, in paths and of the column of a form
	Heading string        // of its column in the editor
	Spoken  string        // of its cells, for a screen reader
	What    string        // in a list of changes
	Unit    quantity.Unit // SI base unit
	Of      func(*Pin) *float64

	Lowest   bool    // it bounds from below
	Relative bool    // it counts from the clamp supply, and stands beside it
	Optional bool    // 0 says that there is none: an empty cell
	Signed   bool    // it may be negative
	Most     float64 // largest magnitude that a device may state

	// Words is how its value reads beside others; %s is the value.
	Words string
	// Exceeded says in words how a pin under this stress is beyond the rating;
	// "" where it is not. It is nil for the ratings that procedures look at with
	// rules of their own: what a diode holds, what a compliance lets through.
	Exceeded func(p Pin, s Stress) string

	// Headings are whole headings of pasted columns, in lower case with
	// punctuation as spaces. Rule finds longer ones; the rules are tried in
	// ascending order of Rank, special ones before general ones.
	Headings []string
	Rule     *regexp.Regexp
	Rank     int
}

// Stress is what a pin may see while it is held: its lowest and highest
// voltage to ground, V, and the largest magnitude of its current, A.
type Stress struct{ Low, High, Current float64 }

// ratings are all ratings, in the order of the fields of a Pin.
var ratings = []Rating{
	{
		Means: MeansMinV, Heading: "Min V", Spoken: "lowest voltage to ground", What: "lowest rated voltage",
		Unit: quantity.Volt, Of: func(p *Pin) *float64 { return &p.MinV }, Lowest: true, Signed: true, Most: ratingLimitV, Words: "min %s",
		Headings: []string{"vmin", "umin"}, Rule: regexp.MustCompile(`\b(min|minimum|lowest)\b`), Rank: 3,
	},
	{
		Means: MeansMaxV, Heading: "Max V", Spoken: "highest voltage to ground", What: "highest rated voltage",
		Unit: quantity.Volt, Of: func(p *Pin) *float64 { return &p.MaxV }, Signed: true, Most: ratingLimitV, Words: "max %s",
		Headings: []string{"vmax", "umax", "rating", "ratings", "amr", "limit", "v", "voltage"},
		Rule:     regexp.MustCompile(`\b(max|maximum|abs|absolute|ratings?|highest|vmax)\b`), Rank: 4,
	},
	{
		Means: MeansAboveClamp, Heading: "Above it", Spoken: "highest voltage above that supply", What: "rated above its supply",
		Unit: quantity.Volt, Of: func(p *Pin) *float64 { return &p.AboveClamp }, Relative: true, Optional: true, Signed: true, Most: ratingLimitV, Words: "+ %s above it",
		Rule: regexp.MustCompile(`\b(above|over|beyond|relative|headroom)\b`), Rank: 1,
	},
	{
		Means: MeansMaxI, Heading: "Max I", Spoken: "highest current", What: "highest rated current",
		Unit: quantity.Ampere, Of: func(p *Pin) *float64 { return &p.MaxI }, Most: maxRatedI, Words: "± %s",
		Headings: []string{"imax", "i", "current"},
		Rule:     regexp.MustCompile(`\b(max|maximum|abs|absolute|rating|limit)\b.*\b(i|current|curr)\b|\b(i|current|curr)\b.*\b(max|maximum|abs|absolute|rating|limit)\b`), Rank: 2,
	},
}

// Ratings lists every rating of a pin, in the order of its fields.
func Ratings() []Rating { return slices.Clone(ratings) }

// ratingOf finds the rating that a column means.
func ratingOf(m Meaning) (Rating, bool) {
	i := slices.IndexFunc(ratings, func(r Rating) bool { return r.Means == m })
	if i < 0 {
		return Rating{}, false
	}
	return ratings[i], true
}

// Value is the pin's rating, in SI base units.
func (r *Rating) Value(p Pin) float64 { return *r.Of(&p) }

// Say writes the pin's rating beside others.
func (r *Rating) Say(p Pin) string {
	return strings.Replace(r.Words, "%s", quantity.Short(r.Value(p), r.Unit), 1)
}

// Further reports whether the rating is one that stands on its own: that is
// looked at with Exceeded, read as a plain quantity, and named only where a
// pin has it. The voltages and the current depend on each other.
func (r *Rating) Further() bool { return r.Exceeded != nil }

// FurtherOf says the further ratings that a pin has, each in words.
func FurtherOf(p Pin) []string {
	var out []string
	for _, r := range ratings {
		if r.Further() && r.Value(p) != 0 {
			out = append(out, r.Say(p))
		}
	}
	return out
}

// Unrated returns the pin with ratings that nothing exceeds.
func (p Pin) Unrated() Pin {
	const beyond = 1e9
	for _, r := range ratings {
		*r.Of(&p) = beyond
		if r.Lowest {
			*r.Of(&p) = -beyond
		}
	}
	return p
}

// check reports a value that no device may state.
func (r *Rating) check(ps *Problems, at string, p Pin) {
	v := r.Value(p)
	most := strconv.FormatFloat(r.Most, 'g', -1, 64)
	switch {
	case r.Signed && (math.IsNaN(v) || math.Abs(v) > r.Most):
		ps.Add(at+string(r.Means), "must lie within ±%s %s", most, r.Unit)
	case !r.Signed && !(v >= 0 && v <= r.Most):
		ps.Add(at+string(r.Means), "must be between 0 and %s %s", most, r.Unit)
	}
}

// read reads a pasted cell as the rating. unit is the heading's, for a number
// that has none; assumed tells that there was no unit anywhere.
func (r *Rating) read(cell, unit string) (v float64, assumed bool, why string) {
	s := strings.TrimSpace(maxWord.ReplaceAllString(strings.TrimSpace(cell), ""))
	if plainNumber.MatchString(s) {
		if assumed = unit == ""; assumed {
			unit = string(r.Unit)
		}
		s += " " + unit
	}
	v, err := quantity.Parse(s, r.Unit)
	switch {
	case err != nil:
		return 0, false, err.Error()
	case math.Abs(v) > r.Most || v < 0 && !r.Signed:
		return 0, false, "is beyond what a device may state: check the unit"
	}
	return v, assumed, ""
}

// ratingRules are the rules of headings, special ones first.
func ratingRules() []headingRule {
	sorted := slices.SortedStableFunc(slices.Values(ratings), func(a, b Rating) int { return a.Rank - b.Rank })
	rules := make([]headingRule, len(sorted))
	for i, r := range sorted {
		rules[i] = headingRule{r.Means, r.Rule}
	}
	return rules
}

// ratingUnits are the symbols of the units that ratings have, for a pattern.
func ratingUnits() string {
	units := ""
	for _, r := range ratings {
		if !strings.Contains(units, string(r.Unit)) {
			units += string(r.Unit)
		}
	}
	return units
}

// pastedOrder is the order in which the columns of a row are read: the general
// rating first, since it may give others, and what is looked up last.
func pastedOrder() []Meaning {
	order := []Meaning{MeansMaxV, MeansMinV, MeansMaxI, MeansAboveClamp}
	for _, r := range ratings {
		if r.Further() {
			order = append(order, r.Means)
		}
	}
	return append(order, MeansClamp, MeansLogic)
}

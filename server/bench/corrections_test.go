package bench

import (
	"math"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/budget"
	"ohmkeep/server/quantity"
)

func correctedBench() *Definition {
	ten := []Range{{FullScale: 2, Step: 1e-6, Gain: 3e-4, Offset: 1e-4, Noise: 1e-6}}
	return &Definition{Key: "b", Contacts: 2, LineHz: 50,
		Channels: []Channel{{ID: 1, Name: "1A", SourceR: 0.5, ForceV: ten, SenseV: ten, ForceI: ten, SenseI: ten}},
		Paths:    []Path{{ID: 1, Channel: 1, Contact: 1, Resistance: 4, Address: "1A:1"}, {ID: 2, Contact: 1, Resistance: 4, Address: "R:1"}, {ID: 3, Channel: 1, Contact: 2, Resistance: 4, Address: "1A:2"}}}
}

var correctedAt = time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)

// TestCorrectedPath: a measured path is what was measured, whatever the output of its
// channel is stated to have; its interval widens with age; two paths of a contact
// share what an insertion changes, so that it cancels in their difference.
func TestCorrectedPath(t *testing.T) {
	t.Parallel()
	def := correctedBench()
	c := &Corrections{PathsAt: correctedAt, Paths: []PathCorrection{{Path: 1, Ohms: 4.7, U: 0.004}, {Path: 2, Ohms: 4.1, U: 0.004}}}
	value := func(used time.Time) (own, back budget.Value, e *Errors) {
		e = NewErrors(def.Corrected(c, used))
		ch, _ := def.ChannelByID(1)
		return e.Series(ch, 1, 1), e.PathR(2, 1), e
	}
	own, back, e := value(correctedAt)
	if own.X != 4.7 || back.X != 4.1 {
		t.Errorf("%g and %g Ω", own.X, back.X)
	}
	stated := NewErrors(def)
	ch, _ := def.ChannelByID(1)
	if before := stated.Series(ch, 1, 1); !(own.Uc() < before.Uc()/10) {
		t.Errorf("± %g Ω, as stated ± %g Ω", own.Uc(), before.Uc())
	}
	if other := e.Series(ch, 3, 2); other.X != stated.Series(ch, 3, 2).X {
		t.Errorf("a path without a correction: %g Ω", other.X)
	}
	// Without age: 0.5 % and the check's own; the contact is in both, and cancels.
	contact := budget.Triangular.FromHalfWidth(2 * AssumedContactChange)
	alone := math.Sqrt(own.Uc()*own.Uc() - contact*contact)
	want := math.Hypot(budget.Normal.FromHalfWidth(0.004), budget.Rectangular.FromHalfWidth(AssumedPathChange*4.7))
	if math.Abs(alone-want) > 1e-9 {
		t.Errorf("a path alone: %g Ω, want %g Ω", alone, want)
	}
	if d := own.Sub(back); d.Uc() > 1.5*want {
		t.Errorf("the difference of two paths of a contact: %g Ω", d.Uc())
	}
	year, _, _ := value(correctedAt.AddDate(1, 0, 0))
	if most := budget.Rectangular.FromHalfWidth(0.12 * 4.7); year.Uc() < most || year.Uc() > 1.2*most {
		t.Errorf("after a year: %g Ω, want about %g Ω", year.Uc(), most)
	}
}

// TestCorrectedRange: what is known of a range's gain and offset is taken off what is
// sensed and added to what is forced, the same errors in all readings of the range; a
// year later it knows no more than its statement.
func TestCorrectedRange(t *testing.T) {
	t.Parallel()
	def := correctedBench()
	sense := RangeCorrection{Channel: 1, Unit: quantity.Volt, FullScale: 2, Gain: 2e-4, GainU: 2e-5, Offset: 5e-5, OffsetU: 4e-6, At: correctedAt, Standard: "a meter"}
	force := sense
	force.Force = true
	c := &Corrections{Ranges: []RangeCorrection{sense, force}}
	if err := c.Check(def); err != nil {
		t.Fatal(err)
	}
	ranges := func(used time.Time) (sense, force *RangeErrors) {
		e := NewErrors(def.Corrected(c, used))
		ch, _ := def.ChannelByID(1)
		return e.SenseV(ch, ch.SenseV[0]), e.ForceV(ch, ch.ForceV[0])
	}
	s, f := ranges(correctedAt)
	for _, x := range []float64{-1.5, 0, 0.3, 2} {
		read := x*(1+2e-4) + 5e-5
		if got := s.Systematic(read); math.Abs(got.X-x) > 1e-12 {
			t.Errorf("read %g: %g V was there, not %g", read, got.X, x)
		}
		if got := f.Level(x); math.Abs(got.X-read) > 1e-12 {
			t.Errorf("asked for %g: %g V, not %g", x, got.X, read)
		}
		want := math.Hypot(x*budget.Normal.FromHalfWidth(2e-5), budget.Normal.FromHalfWidth(4e-6))
		if got := s.Systematic(read).Uc(); math.Abs(got-want) > 1e-12 {
			t.Errorf("at %g V: %g V, want %g", x, got, want)
		}
	}
	// Common to both readings: the offset cancels in a difference.
	if d := s.Systematic(1).Sub(s.Systematic(1 - 1e-6)); d.Uc() > 1e-9 {
		t.Errorf("a difference of two readings: %g V", d.Uc())
	}
	late, _ := ranges(correctedAt.AddDate(3, 0, 0))
	stated := NewErrors(def)
	ch, _ := def.ChannelByID(1)
	was, now := stated.SenseV(ch, ch.SenseV[0]).Systematic(1).Uc(), late.Systematic(1).Uc()
	if now < was || now > 1.1*was {
		t.Errorf("after three years: %g V, as stated %g V", now, was)
	}
	current := stated.SenseI(ch, ch.SenseI[0]).Systematic(1)
	e := NewErrors(def.Corrected(c, correctedAt))
	if got := e.SenseI(ch, ch.SenseI[0]).Systematic(1); got.X != current.X || got.Uc() != current.Uc() {
		t.Errorf("a range without a correction: %+v", got)
	}
}

// TestBadCorrections: what no correction can be is refused.
func TestBadCorrections(t *testing.T) {
	t.Parallel()
	def := correctedBench()
	good := RangeCorrection{Channel: 1, Unit: quantity.Volt, FullScale: 2, GainU: 1e-5, OffsetU: 1e-6, At: correctedAt, Standard: "a meter"}
	with := func(f func(*RangeCorrection)) Corrections {
		r := good
		f(&r)
		return Corrections{Ranges: []RangeCorrection{r}}
	}
	for name, c := range map[string]Corrections{
		"no such path":      {Paths: []PathCorrection{{Path: 9, Ohms: 4, U: 1}}},
		"a path twice":      {Paths: []PathCorrection{{Path: 1, Ohms: 4, U: 1}, {Path: 1, Ohms: 4, U: 1}}},
		"no uncertainty":    {Paths: []PathCorrection{{Path: 1, Ohms: 4}}},
		"no number":         {Paths: []PathCorrection{{Path: 1, Ohms: math.NaN(), U: 1}}},
		"endless":           {Paths: []PathCorrection{{Path: 1, Ohms: 4, U: math.Inf(1)}}},
		"no such range":     with(func(r *RangeCorrection) { r.FullScale = 3 }),
		"no such channel":   with(func(r *RangeCorrection) { r.Channel = 3 }),
		"no such unit":      with(func(r *RangeCorrection) { r.Unit = quantity.Ohm }),
		"a range twice":     {Ranges: []RangeCorrection{good, good}},
		"an exact gain":     with(func(r *RangeCorrection) { r.GainU = 0 }),
		"an exact offset":   with(func(r *RangeCorrection) { r.OffsetU = 0 }),
		"a gain of a third": with(func(r *RangeCorrection) { r.Gain = -1 }),
		"an offset of none": with(func(r *RangeCorrection) { r.Offset = math.NaN() }),
		"no standard":       with(func(r *RangeCorrection) { r.Standard = "" }),
		"at no time":        with(func(r *RangeCorrection) { r.At = time.Time{} }),
	} {
		if err := c.Check(def); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
	stored := correctedBench()
	stored.Corrections = &Corrections{}
	if err := stored.Check().Err(); err == nil || !strings.Contains(err.Error(), "corrections") {
		t.Errorf("a stored definition with corrections: %v", err)
	}
	if def.Corrected(nil, correctedAt).Corrections != nil || stored.Stated().Corrections != nil || stored.Corrections == nil {
		t.Error("the definition itself is changed")
	}
	if def.Built() != def.Corrected(&Corrections{}, correctedAt).Built() {
		t.Error("corrections are part of what is built")
	}
}

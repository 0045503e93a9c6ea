package procedure

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/quantity"
)

// A range is far too coarse for a result where all that was read in it is a small
// part of its full scale, a smaller range of the channel would have held that and
// known it several times better, the range's own error makes up most of U, and U
// is not small beside what the result is for.
const (
	coarsePart   = 1.0 / 20 // of full scale, the most that was read
	coarseShare  = 0.5      // of the variance, the range's own error
	coarseBetter = 1.0 / 3  // of the uncertainty, what the smaller range would leave
	coarseRoom   = 1.1      // above what was read, for the smaller range to hold it
	// The width of the limits over that of ±U, or without limits the value over U,
	// from which on nobody needs a smaller range. Common practice for calibration.
	enoughFor = 10.0
)

// ranged is what was read of one pin in the range of the quantity that is not
// forced, which is the range that a person chooses by the compliance.
type ranged struct {
	sense *Sense
	unit  quantity.Unit
	errs  *bench.RangeErrors
	most  float64 // largest magnitude, V or A
	mixed bool    // read in more than one range
}

func newRanged(s *Sense) ranged {
	if s.Segment.Drives[s.Drive].Mode == bench.ForceCurrent {
		return ranged{sense: s, unit: quantity.Volt, errs: s.V}
	}
	return ranged{sense: s, unit: quantity.Ampere, errs: s.I}
}

// add takes a reading in.
func (r *ranged) add(o *Observation) {
	if o.Sense != r.sense {
		other := newRanged(o.Sense)
		r.mixed = r.mixed || other.unit != r.unit || other.errs != r.errs
		r.sense = o.Sense
	}
	x := o.I
	if r.unit == quantity.Volt {
		x = o.V
	}
	r.most = max(r.most, math.Abs(x))
}

// finer is the smallest range of the channel that would have held what was read
// and known it several times better. It reports false where there is none.
func (r *ranged) finer() (bench.Range, bool) {
	if r.mixed || !(r.most <= coarsePart*r.errs.FullScale) {
		return bench.Range{}, false
	}
	ch := r.sense.Segment.Drives[r.sense.Drive].Channel
	ranges := ch.SenseI
	if r.unit == quantity.Volt {
		ranges = ch.SenseV
	}
	small, ok := bench.RangeFor(ranges, coarseRoom*r.most)
	better := small.StandardUncertainty(r.most, r.sense.Cycles) <= coarseBetter*r.errs.StandardUncertainty(r.most, r.sense.Cycles)
	return small, ok && small.FullScale < r.errs.FullScale && better
}

// dominates reports whether the range's own error makes up most of a budget.
func (r *ranged) dominates(b *Budget) bool {
	share := 0.0
	for i := range b.Lines {
		l := &b.Lines[i]
		if r.own(budget.Class(l.Class)) && strings.HasSuffix(l.Name, " of "+r.errs.Name) {
			share += l.Share
		}
	}
	return share > coarseShare
}

// own tells whether a class of contribution is one that a range brings itself and
// that does not grow with what is read.
func (r *ranged) own(c budget.Class) bool {
	return slices.Contains([]budget.Class{budget.Offset, budget.Step, budget.Noise}, c)
}

// tooCoarse reports whether the range is far too coarse for a result, and the one
// that holds what was read.
func (r *ranged) tooCoarse(x *Result) (small bench.Range, is bool) {
	if x.Budget == nil || !(x.U > 0) || x.enough() {
		return small, false
	}
	small, ok := r.finer()
	return small, ok && r.dominates(x.Budget)
}

// words say that the range was far too coarse for a result; "" where it was not.
func (r *ranged) words(x *Result) string {
	small, is := r.tooCoarse(x)
	if !is {
		return ""
	}
	return fmt.Sprintf("the %s range is far too coarse: its own error is most of U, and the %s range holds what was read", r.say(r.errs.FullScale), r.say(small.FullScale))
}

// say names a range by its full scale.
func (r *ranged) say(fullScale float64) string {
	return "±" + say(fullScale, r.unit)
}

// forLimits is the range as it would be used by a result anywhere within its
// limits, of which only one value was predicted.
func (r ranged) forLimits(l Limit, unit quantity.Unit) ranged {
	if unit == r.unit {
		for _, v := range []*float64{l.Low, l.High} {
			if v != nil {
				r.most = max(r.most, math.Abs(*v))
			}
		}
	}
	return r
}

// coarse warns of results of a key whose range is far too coarse for them.
func (c *preCheck) coarse(all []Prediction, key string) {
	var worst *Prediction
	var pins []int
	for i := range all {
		p := &all[i]
		if p.Key != key || p.small.FullScale == 0 {
			continue
		}
		pins = append(pins, p.Pin)
		if worst == nil || p.U > worst.U {
			worst = p
		}
	}
	if p := worst; p != nil {
		c.add(SeverityWarning, CodeRange, pins, []string{"compliance"},
			"%s will be known to ±%s, most of it the error of the %s range, which is far too coarse: a compliance of %s takes the range that holds it",
			p.Name, quantity.Format(p.U, p.Unit, 2), p.read.say(p.read.errs.FullScale), say(p.small.FullScale, p.read.unit))
	}
}

// enough reports whether a result is known well enough for its limits, or without
// limits beside its own size.
func (r *Result) enough() bool {
	if width, ok := (Limit{r.Low, r.High}).width(); ok {
		return width >= enoughFor*2*r.U
	}
	return math.Abs(r.Value) >= enoughFor*r.U
}

package web

import (
	"math"

	"github.com/a-h/templ"
	"ohmkeep/server/procedure"
)

const stripW, stripH = 168.0, 22.0

// stripDots is the largest number of values that are all drawn. Of more, one
// dot stands for all that would lie on each other: a lot of thousands looks
// the same, and its page has a bounded size.
const stripDots = 200

// stripRows is the number of rows that the dots are spread over.
const stripRows = 5

// strip is the dot plot of a result: its values as dots along a line, with
// ticks at the limits. It is an ornament to the figures beside it and hidden
// from screen readers.
func strip(values []float64, limit procedure.Limit) templ.Component {
	var e extent
	for _, v := range values {
		if !math.IsNaN(v) && math.Abs(v) < drawable {
			e.add(v)
		}
	}
	if !e.any {
		return templ.NopComponent
	}
	spread := max(e.hi-e.lo, 1e-12*max(math.Abs(e.lo), math.Abs(e.hi)), 1e-30)
	for _, l := range []*float64{limit.Low, limit.High} {
		// A limit far away would press the dots together; it is left out.
		if l != nil && *l > e.lo-6*spread && *l < e.hi+6*spread {
			e.add(*l)
		}
	}
	s := scale{lo: e.lo - 0.05*spread, hi: e.hi + 0.05*spread}
	s.place(4, stripW-4)
	b := []byte(`<svg class="strip-plot" viewBox="0 0 168 22" aria-hidden="true" focusable="false"><path class="base" d="M2 11h164"/>`)
	for _, l := range []*float64{limit.Low, limit.High} {
		if l != nil && *l >= s.lo && *l <= s.hi {
			b = append(line(append(b, `<path class="limit" d="`...), s.at(*l), 2, 0, stripH-4), `"/>`...)
		}
	}
	b = append(b, `<path class="dots" d="`...)
	var drawn [stripRows][int(stripW/2) + 1]bool
	for i, v := range values {
		if math.IsNaN(v) || math.Abs(v) >= drawable {
			continue
		}
		row, x := i%stripRows, s.at(v)
		cell := &drawn[row][int(x/2)]
		if *cell && len(values) > stripDots {
			continue
		}
		*cell = true
		// Spread a little across, so that equal values stay countable.
		b = append(pair(append(b, 'M'), x, 11+float64(row-stripRows/2)*2.2), 'h', '0')
	}
	return templ.Raw(string(append(b, `"/></svg>`...)))
}

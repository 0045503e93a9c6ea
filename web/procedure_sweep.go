package web

import (
	"context"
	"fmt"
	"html"
	"io"
	"math"
	"strings"

	"github.com/a-h/templ"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

const (
	drawnTicks  = 400 // more cannot be told apart on a screen
	namedLevels = 5   // at each end of a long sweep
)

// SweepPreview is the preview of a sweep: its levels in words and as a
// drawing. What cannot be drawn yet, such as a sweep without ends, gives
// nothing.
func SweepPreview(s *procedure.Sweep, unit quantity.Unit) templ.Component {
	return templ.ComponentFunc(func(_ context.Context, w io.Writer) error {
		if s == nil || !hasLevels(s) {
			return nil
		}
		_, err := io.WriteString(w, sweepTicks(s)+`<p class="hint">`+html.EscapeString(sweepLevels(s, unit))+`</p>`)
		return err
	})
}

func hasLevels(s *procedure.Sweep) bool {
	n := s.Count()
	if n < 1 || n > procedure.MaxPoints {
		return false
	}
	low, high := s.Range()
	switch s.Spacing {
	case procedure.Linear, procedure.List:
		return finite(low) && finite(high)
	case procedure.Log:
		return n > 1 && finite(low) && finite(high) && low*high > 0
	}
	return false
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// sweepLevels returns the first and last levels and the number of all.
func sweepLevels(s *procedure.Sweep, unit quantity.Unit) string {
	n := s.Count()
	level := func(i int) string { return levelText(s.At(i), unit) }
	var parts []string
	for i := 0; i < n; i++ {
		if i == namedLevels && n > 2*namedLevels {
			parts = append(parts, "…")
			i = n - namedLevels
		}
		parts = append(parts, level(i))
	}
	w := count(n, "level", "levels")
	if s.Back {
		w += fmt.Sprintf(", up and down again: %d points", s.Len())
	}
	return w + ": " + strings.Join(parts, ", ")
}

// levelText formats a level with at most four digits, and no zeros at its end.
func levelText(v float64, unit quantity.Unit) string {
	full := quantity.Format(v, unit, 4)
	rounded, err := quantity.Parse(full, unit)
	if err != nil {
		return full
	}
	return short(rounded, unit)
}

// sweepTicks draws a mark for each level, on a logarithmic axis for a log sweep.
func sweepTicks(s *procedure.Sweep) string {
	const width, left = 560.0, 8.0
	low, high := s.Range()
	place := func(v float64) float64 {
		if s.Spacing == procedure.Log {
			return math.Log(math.Abs(v) / math.Abs(low))
		}
		return v - low
	}
	span := place(high)
	n := s.Count()
	var d strings.Builder
	every := (n + drawnTicks - 1) / drawnTicks
	for i := 0; i < n; i += every {
		x := left + width/2
		if span != 0 {
			x = left + width*place(s.At(i))/span
		}
		fmt.Fprintf(&d, "M%.1f 6v12", x)
	}
	return fmt.Sprintf(`<svg class="sweep-ticks" viewBox="0 0 %g 24" role="img" aria-label="%d levels"><path class="axis" d="M%g 18h%g"/><path class="ticks" d="%s"/></svg>`,
		width+2*left, n, left, width, d.String())
}

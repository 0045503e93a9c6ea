package web

import (
	"context"
	"fmt"
	"html"
	"io"
	"slices"
	"strconv"
	"sync"

	"github.com/a-h/templ"
)

// drawings keeps the memory of plots for the next: a run at work draws one many
// times a second.
var drawings = sync.Pool{New: func() any { return new([]byte) }}

// SVG draws the plot. The numbers in its data attributes are all that the
// browser module needs for the read-out and the zoom: it turns a place in the
// drawing back into values, to a ten-thousandth of the axis or better.
func (p Plot) SVG() templ.Component {
	return templ.ComponentFunc(func(_ context.Context, w io.Writer) error {
		b := drawings.Get().(*[]byte)
		defer drawings.Put(b)
		*b = p.draw((*b)[:0])
		_, err := w.Write(*b)
		return err
	})
}

// size estimates the length of the drawing in bytes.
func (p *Plot) size() int {
	n := 6 << 10
	for _, s := range p.Series {
		n += 16 * len(s.X)
	}
	return n
}

// draw appends the drawing to dst.
func (p *Plot) draw(dst []byte) []byte {
	sx, sy, _, ok := p.scales()
	id := html.EscapeString(p.ID)
	b := append(slices.Grow(dst, p.size()), `<svg class="plot" viewBox="0 0 640 400" role="img" tabindex="-1" aria-labelledby="`...)
	b = append(b, id+`-t `+id+`-d"`...)
	if ok {
		b = sx.attributes(b, "x")
		b = sy.attributes(b, "y")
		b = append(b, ` data-area="74 14 552 326" data-plot="`+id+`"`...)
	}
	b = append(b, `><title id="`+id+`-t">`+html.EscapeString(p.spoken())+`</title><desc id="`+id+`-d">`+html.EscapeString(p.describe(ok))+`</desc>`...)
	if !ok {
		return p.drawEmpty(b)
	}
	b = append(b, `<defs><clipPath id="`+id+`-c"><rect x="74" y="14" width="552" height="326"/></clipPath></defs><rect class="plot-paper" x="74" y="14" width="552" height="326"/>`...)
	b = drawGrid(b, &sx, &sy)
	b = append(b, `<g clip-path="url(#`+id+`-c)"><g class="plot-data">`...)
	b = p.drawBand(b, &sy)
	for i := range p.Series {
		b = drawSeries(b, &p.Series[i], i, &sx, &sy)
	}
	b = append(b, `</g></g><rect class="plot-frame" x="74" y="14" width="552" height="326"/>`...)
	b = append(b, `<text class="axis-title" x="350" y="390" text-anchor="middle">`+html.EscapeString(sx.title())+`</text>`...)
	b = append(b, `<text class="axis-title" x="14" y="177" text-anchor="middle" transform="rotate(-90 14 177)">`+html.EscapeString(sy.title())+`</text></svg>`...)
	return b
}

// spoken returns the plot's title for a screen reader: never empty.
func (p *Plot) spoken() string {
	if p.Title == "" {
		return "Plot"
	}
	return p.Title
}

// attributes writes the axis's numbers for the browser module.
func (s *scale) attributes(b []byte, name string) []byte {
	b = append(b, " data-"+name+`="`...)
	b = strconv.AppendFloat(b, s.lo, 'g', -1, 64)
	b = append(b, ' ')
	b = strconv.AppendFloat(b, s.hi, 'g', -1, 64)
	if s.axis.Log {
		b = append(b, " log"...)
	}
	return append(b, `" data-`+name+`-unit="`+html.EscapeString(string(s.axis.Unit))+`" data-`+name+`-label="`+html.EscapeString(s.axis.Label)+`"`...)
}

func (p *Plot) drawEmpty(b []byte) []byte {
	text := p.Empty
	if text == "" {
		text = "No readings yet"
	}
	b = append(b, `<rect class="plot-paper" x="74" y="14" width="552" height="326"/><g class="plot-grid"><path class="minor" d="`...)
	for x := areaX + areaW/30; x < areaX+areaW-1; x += areaW / 30 {
		b = line(b, x, areaY, 0, areaH)
	}
	for y := areaY + areaH/18; y < areaY+areaH-1; y += areaH / 18 {
		b = line(b, areaX, y, areaW, 0)
	}
	b = append(b, `"/></g><rect class="plot-frame" x="74" y="14" width="552" height="326"/><text class="plot-empty" x="350" y="182" text-anchor="middle">`...)
	return append(b, html.EscapeString(text)+`</text></svg>`...)
}

// line appends a path from x, y along dx, dy, one of which is zero.
func line(b []byte, x, y, dx, dy float64) []byte {
	b = append(b, 'M')
	b = px(b, x)
	b = append(b, ' ')
	b = px(b, y)
	if dx != 0 {
		return px(append(b, 'h'), dx)
	}
	return px(append(b, 'v'), dy)
}

func drawGrid(b []byte, sx, sy *scale) []byte {
	majorX, minorX := sx.ticks()
	majorY, minorY := sy.ticks()
	b = append(b, `<g class="plot-grid"><path class="minor" d="`...)
	for _, v := range minorX {
		b = line(b, sx.at(v), areaY, 0, areaH)
	}
	for _, v := range minorY {
		b = line(b, areaX, sy.at(v), areaW, 0)
	}
	b = append(b, `"/><path class="major" d="`...)
	for _, t := range majorX {
		b = line(b, sx.at(t.v), areaY, 0, areaH)
	}
	for _, t := range majorY {
		b = line(b, areaX, sy.at(t.v), areaW, 0)
	}
	b = append(b, `"/><path class="zero" d="`...)
	if !sx.axis.Log && sx.lo < 0 && sx.hi > 0 {
		b = line(b, sx.at(0), areaY, 0, areaH)
	}
	if !sy.axis.Log && sy.lo < 0 && sy.hi > 0 {
		b = line(b, areaX, sy.at(0), areaW, 0)
	}
	b = append(b, `"/></g><g class="plot-ticks">`...)
	for _, t := range majorX {
		b = label(b, "middle", sx.at(t.v), areaY+areaH+19, t.label)
	}
	for _, t := range majorY {
		b = label(b, "end", areaX-7, sy.at(t.v)+4.5, t.label)
	}
	return append(b, `</g>`...)
}

func label(b []byte, anchor string, x, y float64, text string) []byte {
	if text == "" {
		return b
	}
	b = px(append(b, `<text text-anchor="`+anchor+`" x="`...), x)
	b = px(append(b, `" y="`...), y)
	return append(b, `">`+html.EscapeString(text)+`</text>`...)
}

// drawBand shades what is beyond the limits and rules each limit.
func (p *Plot) drawBand(b []byte, sy *scale) []byte {
	limit := func(l *float64) (float64, bool) {
		if l == nil {
			return 0, false
		}
		v, ok := sy.value(*l)
		// Clamped just outside the drawing, so that the shading still says on
		// which side the data lie.
		return min(max(sy.at(v), areaY-5), areaY+areaH+5), ok
	}
	shade := func(y, h float64) {
		b = px(append(b, `<rect class="beyond" x="74" width="552" y="`...), y)
		b = px(append(b, `" height="`...), max(h, 0))
		b = append(b, `"/>`...)
	}
	rule := func(y float64) {
		b = append(b, `<path class="limit" d="`...)
		b = append(line(b, areaX, y, areaW, 0), `"/>`...)
	}
	if y, ok := limit(p.Band.High); ok {
		shade(areaY-5, y-areaY+5)
		rule(y)
	}
	if y, ok := limit(p.Band.Low); ok {
		shade(y, areaY+areaH+5-y)
		rule(y)
	}
	return b
}

// drawSeries draws the line, then the marks: plain ones in one path, those at
// compliance in another that the style sheet makes hollow. A mark is a line of
// no length with a round or square end, so that zooming leaves its size.
func drawSeries(b []byte, s *Series, index int, sx, sy *scale) []byte {
	n := min(len(s.X), len(s.Y))
	class := seriesClass(index)
	b = append(b, `<g class="series `+class+`" data-label="`+html.EscapeString(s.Label)+`">`...)
	if s.Line {
		b = append(b, `<path class="joined" d="`...)
		pen := byte('M')
		for i := range n {
			x, y, ok := point(s, i, sx, sy)
			if !ok {
				pen = 'M'
				continue
			}
			b = pair(append(b, pen), x, y)
			pen = 'L'
		}
		b = append(b, `"/>`...)
	}
	filled, hollow := !s.Line || n <= manyMarks, false
	if filled {
		b = append(b, `<path class="mark" d="`...)
		for i := range n {
			if i < len(s.Hollow) && s.Hollow[i] {
				continue
			}
			b = mark(b, s, i, sx, sy)
		}
		b = append(b, `"/>`...)
	}
	for _, h := range s.Hollow {
		hollow = hollow || h
	}
	if hollow {
		at := len(b)
		for i := range min(n, len(s.Hollow)) {
			if s.Hollow[i] {
				b = mark(b, s, i, sx, sy)
			}
		}
		d := string(b[at:])
		b = append(b[:at], `<path class="mark hollow" d="`+d+`"/><path class="hole" d="`+d+`"/>`...)
	}
	return append(b, `</g>`...)
}

// seriesClass returns the style class of a series: its tone, mark and dash.
func seriesClass(i int) string {
	return fmt.Sprintf("s%d d%d m%d", i%tones, (i+i/tones)%dashes, i%2)
}

func point(s *Series, i int, sx, sy *scale) (x, y float64, ok bool) {
	x, okX := sx.value(s.X[i])
	y, okY := sy.value(s.Y[i])
	return sx.at(x), sy.at(y), okX && okY
}

func mark(b []byte, s *Series, i int, sx, sy *scale) []byte {
	x, y, ok := point(s, i, sx, sy)
	if !ok {
		return b
	}
	return append(pair(append(b, 'M'), x, y), 'h', '0')
}

func pair(b []byte, x, y float64) []byte { return px(append(px(b, x), ' '), y) }

// px appends v with two decimals, without trailing zeros. Values stay within
// the drawing or just outside it; written by hand, as a plot has thousands.
func px(b []byte, v float64) []byte {
	if v < 0 {
		b, v = append(b, '-'), -v
	}
	if !(v < 1e6) {
		v = 1e6
	}
	n := uint32(v*100 + 0.5)
	whole, f := n/100, n%100
	if whole < 1000 {
		if whole >= 100 {
			b = append(b, byte('0'+whole/100))
		}
		if whole >= 10 {
			b = append(b, byte('0'+whole/10%10))
		}
		b = append(b, byte('0'+whole%10))
	} else {
		b = strconv.AppendUint(b, uint64(whole), 10)
	}
	if f == 0 {
		return b
	}
	b = append(b, '.', byte('0'+f/10))
	if f%10 != 0 {
		b = append(b, byte('0'+f%10))
	}
	return b
}

// describe returns the description of the plot in a sentence or two, for a
// screen reader.
func (p *Plot) describe(ok bool) string {
	if !ok {
		return p.Desc
	}
	n, at := 0, 0
	for _, s := range p.Series {
		n += min(len(s.X), len(s.Y))
		for _, h := range s.Hollow {
			if h {
				at++
			}
		}
	}
	d := fmt.Sprintf("%s against %s, %d points in %d series.", p.Y.Label, p.X.Label, n, len(p.Series))
	if at > 0 {
		d += fmt.Sprintf(" %d taken at compliance.", at)
	}
	if p.Desc != "" {
		d = p.Desc + " " + d
	}
	return d
}

// Left returns the number of readings that a log axis cannot show.
func (p Plot) Left() int {
	_, _, left, _ := p.scales()
	return left
}

package web

import (
	"context"
	"fmt"
	"html"
	"io"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/a-h/templ"
	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// SVG draws the package.
func (d Drawing) SVG() templ.Component {
	return templ.ComponentFunc(func(_ context.Context, w io.Writer) error {
		_, err := io.WriteString(w, d.draw())
		return err
	})
}

// wide reports whether the drawing keeps a minimum width. A page needs to know
// it before the drawing itself has arrived, or what stands beside it jumps.
func (d Drawing) wide() bool { return d.Package.Pins > 0 && d.layout().wide }

func (d *Drawing) draw() string {
	o := d.layout()
	var b strings.Builder
	class := "package"
	if o.wide {
		class += " wide"
	}
	if o.small {
		class += " small"
	}
	id := html.EscapeString(d.ID)
	role := "img"
	for _, p := range d.Pins {
		if p.Href != "" {
			role = "group"
		}
	}
	fmt.Fprintf(&b, `<svg class="%s" viewBox="0 0 %g %g" role="%s" aria-labelledby="%s-t"><title id="%s-t">%s</title>`,
		class, o.w, o.h, role, id, id, html.EscapeString(d.Title))
	d.drawBody(&b, &o)
	for _, p := range d.Pins {
		d.drawMark(&b, &o, p)
	}
	b.WriteString(`</svg>`)
	return b.String()
}

// pinID returns the element id of a pin in the drawing.
func (d *Drawing) pinID(pin int) string { return d.ID + "-p" + strconv.Itoa(pin) }

// Pin draws a single pin, to replace the one in the whole drawing.
func (d Drawing) Pin(p PinMark) templ.Component {
	return templ.ComponentFunc(func(_ context.Context, w io.Writer) error {
		o := d.layout()
		var b strings.Builder
		d.drawMark(&b, &o, p)
		_, err := io.WriteString(w, b.String())
		return err
	})
}

func (d *Drawing) drawMark(b *strings.Builder, o *outline, p PinMark) {
	if p.Number < 1 || p.Number >= len(o.spots) {
		return
	}
	id := html.EscapeString(d.pinID(p.Number))
	open, end := fmt.Sprintf(`<g class="%s" data-pin="%d" id="%s">`, pinClass(p), p.Number, id), `</g>`
	if p.Href != "" {
		open = fmt.Sprintf(`<a class="%s" data-pin="%d" id="%s" href="%s" aria-label="%s">`,
			pinClass(p), p.Number, id, html.EscapeString(string(templ.URL(p.Href))), html.EscapeString(p.Spoken()))
		end = `</a>`
	}
	b.WriteString(open + `<title>` + html.EscapeString(p.Spoken()) + `</title>`)
	if o.grid {
		d.drawCell(b, o, p)
	} else {
		d.drawPin(b, o.spots[p.Number], p)
	}
	b.WriteString(end)
}

func pinClass(p PinMark) string {
	c := "pin f-" + functionClass(p.Function)
	if p.Use != "" && p.Use != procedure.UseOpen {
		c += " connected"
	}
	if p.Selected {
		c += " picked"
	}
	if p.Flags.Has(bench.InCompliance) {
		c += " at-compliance"
	}
	return c
}

func functionClass(f dut.Function) string {
	for _, known := range dut.Functions() {
		if f == known {
			return strings.ReplaceAll(string(f), " ", "-")
		}
	}
	return "analog"
}

// drawBody draws the outline, the pin 1 mark and the thermal pad.
func (d *Drawing) drawBody(b *strings.Builder, o *outline) {
	fmt.Fprintf(b, `<rect class="body" x="%g" y="%g" width="%g" height="%g" rx="5"/>`, o.x, o.y, o.bw, o.bh)
	if d.Package.ThermalPad && !o.grid {
		fmt.Fprintf(b, `<rect class="thermal" x="%g" y="%g" width="%g" height="%g" rx="2"><title>thermal pad</title></rect>`,
			o.x+o.bw*0.42, o.y+o.bh*0.3, o.bw*0.16, o.bh*0.4)
	}
	switch d.Package.Family {
	case dut.DualRow:
		fmt.Fprintf(b, `<path class="notch" d="M%g %ga9 9 0 0 0 18 0"/>`, o.x+o.bw/2-9, o.y)
		fmt.Fprintf(b, `<circle class="one" cx="%g" cy="%g" r="2.6"/>`, o.x+o.bw/2-24, o.y+9)
	case dut.SingleRow:
		fmt.Fprintf(b, `<circle class="one" cx="%g" cy="%g" r="3"/>`, o.x+o.bw/2, o.spots[1].y)
	default:
		fmt.Fprintf(b, `<path class="one" d="M%g %gh13l-13 13z"/>`, o.x+2, o.y+2)
	}
}

// symbols are the pin functions as SVG shapes that leave to the left from 0,0:
// a function is told by its shape, not by its tone alone.
var symbols = map[dut.Function]string{
	dut.Supply:        `<path class="stub" d="M0-6h-14v12h14z"/>`,
	dut.Ground:        `<path class="stub" d="M0-6h-4v12h4zM-7-6h-3v12h3zM-12.5-6h-1.5v12h1.5z"/>`,
	dut.Input:         `<path class="stub" d="M0 0l-14-6v12z"/>`,
	dut.Output:        `<path class="stub" d="M-14 0l14-6v12z"/>`,
	dut.Bidirectional: `<path class="stub" d="M0 0l-7-6-7 6 7 6z"/>`,
	dut.Analog:        `<circle class="stub" cx="-7" cy="0" r="6"/>`,
	dut.NoConnect:     `<path class="cross" d="M-2-5l-10 10M-2 5l-10-10"/>`,
}

func symbol(f dut.Function) string {
	if s, ok := symbols[f]; ok {
		return s
	}
	return symbols[dut.Analog]
}

// turn is the rotation of a symbol on each side, in degrees.
var turn = map[side]int{left: 0, top: 90, right: 180, bottom: 270}

func (d *Drawing) drawPin(b *strings.Builder, s spot, p PinMark) {
	fmt.Fprintf(b, `<g transform="translate(%g %g) rotate(%d)">%s</g>`, s.x, s.y, turn[s.side], symbol(p.Function))
	// Labels are drawn in a frame whose x axis runs outwards for the right and
	// top sides and inwards for the left and bottom ones, so that all text
	// reads from the left or from below.
	frame, sign, anchor, inner := "", 1.0, "start", "end"
	switch s.side {
	case left, bottom:
		sign, anchor, inner = -1, "end", "start"
	}
	if s.side == top || s.side == bottom {
		frame = " rotate(-90)"
	}
	fmt.Fprintf(b, `<g transform="translate(%g %g)%s">`, s.x, s.y, frame)
	fmt.Fprintf(b, `<rect class="hit" x="%g" y="-13" width="%g" height="26" rx="3"/>`, min(-26, sign*26, sign*154), 180.0)
	fmt.Fprintf(b, `<text class="number" x="%g" y="4.5" text-anchor="%s">%d</text>`, -sign*5, inner, p.Number)
	if p.Judged {
		upright := ""
		if frame != "" {
			upright = " rotate(90 6 5.5)"
		}
		fmt.Fprintf(b, `<g transform="translate(%g -5.5)%s">%s</g>`, min(-sign*21, -sign*32), upright, markPath(p.Outcome))
	}
	x := sign * (stubLength + 5)
	if !d.Live || p.Connection() == "" && p.Values() == "" {
		fmt.Fprintf(b, `<text class="name" x="%g" y="4.5" text-anchor="%s">%s</text></g>`, x, anchor, html.EscapeString(clip(p.Name, 17)))
		return
	}
	fmt.Fprintf(b, `<text class="name" x="%g" y="-2" text-anchor="%s">%s%s</text>`, x, anchor, html.EscapeString(clip(p.Name, 17-utf8.RuneCountInString(p.Connection()))), connectionSpan(p))
	fmt.Fprintf(b, `<text class="value" x="%g" y="11.5" text-anchor="%s">%s</text></g>`, x, anchor, html.EscapeString(p.Values()))
}

// clip shortens a name to its room in the drawing; the pin's title has it
// whole.
func clip(s string, most int) string {
	r := []rune(s)
	if most = max(most, 4); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return s
}

func connectionSpan(p PinMark) string {
	c := clip(p.Connection(), 14)
	if c == "" {
		return ""
	}
	return `<tspan class="line" dx="5">` + html.EscapeString(c) + `</tspan>`
}

// drawCell draws a pin that lies on the body.
func (d *Drawing) drawCell(b *strings.Builder, o *outline, p PinMark) {
	s := o.spots[p.Number]
	fmt.Fprintf(b, `<rect class="hit cell" x="%g" y="%g" width="%g" height="%g" rx="3"/>`, s.x+2, s.y+2, o.cell-4, o.rise-4)
	fmt.Fprintf(b, `<g transform="translate(%g %g) scale(.8)">%s</g>`, s.x+17, s.y+13, symbol(p.Function))
	fmt.Fprintf(b, `<text class="name" x="%g" y="%g"><tspan class="number">%d</tspan> %s</text>`, s.x+20, s.y+17, p.Number, html.EscapeString(clip(p.Name, 6)))
	if p.Judged {
		fmt.Fprintf(b, `<g transform="translate(%g %g)">%s</g>`, s.x+o.cell-16, s.y+7, markPath(p.Outcome))
	}
	if !d.Live {
		return
	}
	v, i, _ := strings.Cut(p.Values(), "  ")
	for k, t := range []string{p.Connection(), v, i} {
		fmt.Fprintf(b, `<text class="%s" x="%g" y="%g">%s</text>`, []string{"line", "value", "value"}[k], s.x+7, s.y+31+13*float64(k), html.EscapeString(t))
	}
}

// symbolIcon draws a pin symbol outside a drawing.
func symbolIcon(f dut.Function) templ.Component {
	return templ.Raw(`<svg class="symbol" viewBox="-15 -8 17 16" aria-hidden="true" focusable="false"><g class="pin connected f-` + functionClass(f) + `">` + symbol(f) + `</g></svg>`)
}

func functions() []dut.Function { return dut.Functions() }

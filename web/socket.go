package web

import (
	"context"
	"fmt"
	"html"
	"io"
	"strconv"
	"strings"

	"github.com/a-h/templ"
	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// Socket is the drawing of the device board's socket from above, with the part
// in it and the straps beside it: two rows of contacts that face each other,
// the first half going down on the left, the rest going up on the right.
type Socket struct {
	ID       string
	Title    string
	Contacts int
	Package  dut.Package
	Pins     []dut.Pin
	Map      bench.PinMap
	Bench    *bench.Definition
	Wrong    map[int]bool // pins that something is wrong with
}

// The socket's measures, in CSS pixels at a page 390 px wide.
const (
	socketPitch = 26.0
	strapRoom   = 62.0 // beside a row, where there are straps
	strapless   = 8.0
	socketBox   = 26.0 // width of a contact
	socketInner = 216.0
	socketTop   = 10.0
)

// SVG draws the socket.
func (s Socket) SVG() templ.Component {
	return templ.ComponentFunc(func(_ context.Context, w io.Writer) error {
		_, err := io.WriteString(w, s.draw())
		return err
	})
}

// margin returns the width beside the rows.
func (s *Socket) margin() float64 {
	if len(s.Map.Straps) > 0 {
		return strapRoom
	}
	return strapless
}

func (s *Socket) draw() string {
	var b strings.Builder
	height := float64((s.Contacts+1)/2)*socketPitch + 2*socketTop
	id := html.EscapeString(s.ID)
	class := "package socket"
	if len(s.Map.Straps) == 0 {
		class += " strapless"
	}
	fmt.Fprintf(&b, `<svg class="%s" id="%s" viewBox="0 0 %g %g" role="group" aria-labelledby="%s-t" data-contacts="%d"><title id="%s-t">%s</title>`,
		class, id, 2*(s.margin()+socketBox)+socketInner, height, id, s.Contacts, id, html.EscapeString(s.Title))
	s.drawPart(&b)
	for c := 1; c <= s.Contacts; c++ {
		s.drawContact(&b, c)
	}
	s.drawStraps(&b)
	b.WriteString(`</svg>`)
	return b.String()
}

// at returns the middle of a contact's edge towards the part, and the
// direction away from the part: -1 on the left, 1 on the right.
func (s *Socket) at(contact int) (x, y, away float64) {
	row, position := bench.Place(s.Contacts, contact)
	y = socketTop + (float64(position)-0.5)*socketPitch
	if row == "left" {
		return s.margin() + socketBox, y, -1
	}
	return s.margin() + socketBox + socketInner, y, 1
}

// Straight reports whether the part itself can sit where its pins are mapped.
func (s *Socket) Straight() bool {
	_, _, ok := s.straight()
	return ok
}

// straight reports whether the part itself can sit where its pins are mapped:
// without an adapter. first and last are the places of its ends.
func (s *Socket) straight() (first, last int, ok bool) {
	n := s.Package.Pins
	rows := (n + 1) / 2
	if s.Package.Family == dut.SingleRow {
		rows = n
	} else if s.Package.Family != dut.DualRow {
		return 0, 0, false
	}
	_, first = bench.Place(s.Contacts, s.Map.Contacts[1])
	for _, p := range s.Pins {
		row, position := bench.Place(s.Contacts, s.Map.Contacts[p.Number])
		want := "left"
		at := first + p.Number - 1
		if p.Number > rows {
			want, at = "right", first+2*rows-p.Number
			if n%2 == 1 && p.Number == n {
				at = first
			}
		}
		if row != want || position != at {
			return 0, 0, false
		}
	}
	return first, first + rows - 1, first > 0
}

// drawPart draws the part's body where it sits, or the adapter that it needs.
func (s *Socket) drawPart(b *strings.Builder) {
	first, last, straight := s.straight()
	class := "body"
	if !straight {
		class, first, last = "body adapter", s.Contacts, 0
		for _, p := range s.Pins {
			if _, at := bench.Place(s.Contacts, s.Map.Contacts[p.Number]); at > 0 {
				first, last = min(first, at), max(last, at)
			}
		}
		if last == 0 {
			return
		}
	}
	x, width := s.margin()+socketBox+stubLength, socketInner-2*stubLength
	if straight && s.Package.Family == dut.SingleRow {
		width /= 2
	}
	y := socketTop + float64(first-1)*socketPitch + 1
	height := float64(last-first+1)*socketPitch - 2
	fmt.Fprintf(b, `<rect class="%s" x="%g" y="%g" width="%g" height="%g" rx="5"/>`, class, x, y, width, height)
	middle := x + width/2
	switch {
	case !straight:
		fmt.Fprintf(b, `<text class="line adapter-word" x="%g" y="%g" text-anchor="middle">adapter</text>`, middle, y+height/2+4)
	case s.Package.Family == dut.DualRow:
		fmt.Fprintf(b, `<path class="notch" d="M%g %ga9 9 0 0 0 18 0"/>`, middle-9, y)
	}
	if x1, y1, _ := s.at(s.Map.Contacts[1]); straight && s.Map.Contacts[1] > 0 {
		fmt.Fprintf(b, `<circle class="one" cx="%g" cy="%g" r="3"><title>pin 1</title></circle>`, x1+stubLength+8, y1-7.5)
	}
}

// drawContact draws a contact and the pins on it.
func (s *Socket) drawContact(b *strings.Builder, contact int) {
	x, y, away := s.at(contact)
	var on []dut.Pin
	for _, p := range s.Pins {
		if s.Map.Contacts[p.Number] == contact {
			on = append(on, p)
		}
	}
	class := "contact"
	if len(on) > 0 {
		class += " taken"
	}
	if len(on) > 1 {
		class += " doubled"
	}
	fmt.Fprintf(b, `<g class="%s" data-contact="%d">`, class, contact)
	box, inner := x+min(away, 0)*socketBox, x
	if away < 0 {
		box = x - socketBox
	} else {
		inner = x - socketInner/2
	}
	fmt.Fprintf(b, `<rect class="hit" x="%g" y="%g" width="%g" height="%g"/>`, inner, y-socketPitch/2, socketInner/2, socketPitch)
	fmt.Fprintf(b, `<rect class="place" x="%g" y="%g" width="%g" height="20" rx="2"/>`, box+1, y-10, socketBox-2)
	fmt.Fprintf(b, `<text class="number" x="%g" y="%g" text-anchor="middle">%d</text></g>`, box+socketBox/2, y+4, contact)
	for i, p := range on {
		s.drawSocketPin(b, p, x, y, away, i, len(on))
	}
}

// drawSocketPin draws pin i of n that share a contact: more than one is wrong,
// and all of them are still to be seen.
func (s *Socket) drawSocketPin(b *strings.Builder, p dut.Pin, x, y, away float64, i, n int) {
	class := pinClass(PinMark{Function: p.Function}) + " connected"
	if s.Wrong[p.Number] || n > 1 {
		class += " wrong"
	}
	words := fmt.Sprintf("Pin %s, %s, on contact %d", p.Label(), p.Function, s.Map.Contacts[p.Number])
	fmt.Fprintf(b, `<g class="%s" data-pin="%d" id="%s-p%d" aria-label="%s"><title>%s</title>`, class, p.Number, html.EscapeString(s.ID), p.Number, html.EscapeString(words), html.EscapeString(words))
	sign, anchor, turned := 1.0, "start", 0
	if away > 0 {
		sign, anchor, turned = -1, "end", 180
	}
	half := socketInner / 2
	fmt.Fprintf(b, `<rect class="hit" x="%g" y="%g" width="%g" height="%g" rx="3"/>`, min(x, x+sign*half), y-socketPitch/2+1, half, socketPitch-2)
	// The symbol leaves the body towards the contact.
	fmt.Fprintf(b, `<g transform="translate(%g %g) rotate(%d)">%s</g>`, x+sign*stubLength, y, turned, symbol(p.Function))
	name := clip(p.Name, 10)
	if n > 1 {
		name = clip(p.Name, 5)
	}
	shift := sign * float64(i) * half / float64(n)
	number := `<tspan class="number">` + strconv.Itoa(p.Number) + `</tspan>`
	text := number + ` ` + html.EscapeString(name)
	if away > 0 {
		text = html.EscapeString(name) + ` ` + number
	}
	fmt.Fprintf(b, `<text class="name" x="%g" y="%g" text-anchor="%s">%s</text></g>`, x+sign*(stubLength+17)+shift, y+4.5, anchor, text)
}

// earth is the symbol of the return, an SVG path from 0,0 to the left.
const earth = `<path d="M0 0h-4M-4-7v14M-7.5-4.5v9M-11-2v4"/>`

// zigzag is the symbol of a resistor, an SVG path 22 long, from 0,0 to the
// left.
const zigzag = `<path d="M0 0h-3l-2-4-3 8-3-8-3 8-3-8-2 4h-3"/>`

// drawStraps draws each strap outside its contact. Those between two contacts
// of a row are a bracket; others name the far end.
func (s *Socket) drawStraps(b *strings.Builder) {
	lane := 0
	for _, t := range s.Map.Straps {
		if t.Contact < 1 || t.Contact > s.Contacts {
			continue
		}
		fmt.Fprintf(b, `<g class="strap"><title>%s</title>`, html.EscapeString(strapWords(t, s.Bench)))
		switch {
		case t.Kind != bench.StrapResistor || t.To == 0:
			s.drawTie(b, t)
		case s.sameRow(t.Contact, t.To):
			s.drawBracket(b, t, lane)
			lane = (lane + 1) % 3
		default:
			s.drawEnd(b, t.Contact, t.To, t.Resistance)
			s.drawEnd(b, t.To, t.Contact, t.Resistance)
		}
		b.WriteString(`</g>`)
	}
}

func (s *Socket) sameRow(a, c int) bool {
	ra, _ := bench.Place(s.Contacts, a)
	rc, _ := bench.Place(s.Contacts, c)
	return ra == rc
}

// outside opens a frame at the contact's outer edge whose x axis runs to the
// left for the left row; the right row is turned.
func (s *Socket) outside(b *strings.Builder, contact int) (x, y, away float64) {
	x, y, away = s.at(contact)
	x += away * socketBox
	turned := 0
	if away > 0 {
		turned = 180
	}
	fmt.Fprintf(b, `<g transform="translate(%g %g) rotate(%d)">`, x, y, turned)
	return x, y, away
}

func (s *Socket) label(b *strings.Builder, x, y, away float64, text string) {
	anchor := "end"
	if away > 0 {
		anchor = "start"
	}
	fmt.Fprintf(b, `<text class="line" x="%g" y="%g" text-anchor="%s">%s</text>`, x, y, anchor, html.EscapeString(text))
}

// drawTie draws a strap to the return or to a channel, by wire or resistor.
func (s *Socket) drawTie(b *strings.Builder, t bench.Strap) {
	x, y, away := s.outside(b, t.Contact)
	switch t.Kind {
	case bench.StrapReturn:
		b.WriteString(`<path d="M0 0h-12"/><g transform="translate(-12 0)">` + earth + `</g></g>`)
	case bench.StrapChannel:
		b.WriteString(`<path d="M0 0h-14"/></g>`)
		s.label(b, x+away*18, y+4, away, clip(s.channel(t.Channel), 6))
	default:
		b.WriteString(zigzag + `<g transform="translate(-22 0)">` + earth + `</g></g>`)
		s.label(b, x+away*34, y+4, away, compact(t.Resistance))
	}
}

func (s *Socket) channel(id bench.ChannelID) string {
	if s.Bench == nil {
		return strconv.Itoa(int(id))
	}
	return s.Bench.ChannelName(id)
}

// drawBracket joins two contacts of one row.
func (s *Socket) drawBracket(b *strings.Builder, t bench.Strap, lane int) {
	x, y1, away := s.at(t.Contact)
	_, y2, _ := s.at(t.To)
	x += away * socketBox
	out := x + away*(16+9*float64(lane))
	top, low := min(y1, y2), max(y1, y2)
	middle := (top + low) / 2
	fmt.Fprintf(b, `<path d="M%g %gH%gV%gM%g %gV%gH%g"/>`, x, top, out, middle-11, out, middle+11, low, x)
	fmt.Fprintf(b, `<g transform="translate(%g %g) rotate(90)">%s</g>`, out, middle-11, strings.Replace(zigzag, "M0 0h-3l-2-4-3 8-3-8-3 8-3-8-2 4h-3", "M0 0h3l2-4 3 8 3-8 3 8 3-8 2 4h3", 1))
	s.label(b, out+away*7, middle+4, away, compact(t.Resistance))
}

// drawEnd draws one end of a resistor that leads to the other row.
func (s *Socket) drawEnd(b *strings.Builder, contact, to int, ohms float64) {
	if to < 1 || to > s.Contacts {
		return
	}
	x, y, away := s.outside(b, contact)
	b.WriteString(zigzag + `</g>`)
	s.label(b, x+away*24, y-1, away, compact(ohms))
	s.label(b, x+away*24, y+10, away, "to "+strconv.Itoa(to))
}

// compact formats a resistance for little room: "4.7k".
func compact(ohms float64) string {
	return strings.NewReplacer(" ", "", "Ω", "").Replace(short(ohms, quantity.Ohm))
}

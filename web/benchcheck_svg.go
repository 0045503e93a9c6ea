package web

import (
	"fmt"
	"html"
	"strings"

	"github.com/a-h/templ"
)

// The drawing of what has to be in the socket is a scheme: twelve contacts stand
// for all of them.
const (
	drawnContacts = 6 // on each side
	contactPitch  = 24
	contactLeft   = 24
	contactTop    = 22
	contactBottom = 106
	busY          = (contactTop + contactBottom) / 2
)

// socketDrawing draws what a stage of the bench check needs in the socket.
func socketDrawing(model string) templ.Component {
	var b strings.Builder
	title := map[string]string{
		emptyModel:      "A socket with nothing in it",
		"shorting-plug": "A socket with a plug in it that joins all contacts",
		"numbered-plug": "A socket with a plug in it: a resistor from each contact to one common point, the first the least, each further one a step more",
	}[model]
	fmt.Fprintf(&b, `<svg class="socket-drawing" viewBox="0 0 168 128" role="img"><title>%s</title>`, html.EscapeString(title))
	b.WriteString(`<rect class="board" x="4" y="4" width="160" height="120" rx="6"/>`)
	if model == emptyModel {
		b.WriteString(`<rect class="empty" x="14" y="36" width="140" height="56" rx="3"/>`)
	} else {
		b.WriteString(`<rect class="plug" x="14" y="12" width="140" height="104" rx="3"/>`)
		fmt.Fprintf(&b, `<path class="wire" d="M%d %dH%d"/>`, contactLeft, busY, contactLeft+(drawnContacts-1)*contactPitch)
	}
	for i := range 2 * drawnContacts {
		x, y, way := contactLeft+i%drawnContacts*contactPitch, contactTop, 1
		if i >= drawnContacts {
			y, way = contactBottom, -1
		}
		drawContact(&b, model, x, y, way)
	}
	if model == "numbered-plug" {
		for i, text := range []string{"1R", "2R", "3R"} {
			fmt.Fprintf(&b, `<text x="%d" y="%d">%s</text>`, contactLeft+i*contactPitch+7, contactTop+24, text)
		}
	}
	b.WriteString(`</svg>`)
	return templ.Raw(b.String())
}

// drawContact draws one contact, and what leads from it to the common point;
// way is 1 downwards and -1 upwards.
func drawContact(b *strings.Builder, model string, x, y, way int) {
	switch model {
	case "shorting-plug":
		fmt.Fprintf(b, `<path class="wire" d="M%d %dV%d"/>`, x, y, busY)
	case "numbered-plug":
		top := y + way*12
		fmt.Fprintf(b, `<path class="wire" d="M%d %dV%dM%d %dV%d"/>`, x, y, top, x, top+way*18, busY)
		fmt.Fprintf(b, `<rect class="resistor" x="%d" y="%d" width="8" height="18"/>`, x-4, min(top, top+way*18))
	}
	class := "contact"
	if model != emptyModel {
		class = "contact touched"
	}
	fmt.Fprintf(b, `<circle class="%s" cx="%d" cy="%d" r="4"/>`, class, x, y)
}

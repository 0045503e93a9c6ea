package web

import (
	"context"
	"fmt"
	"html"
	"io"
	"strings"

	"github.com/a-h/templ"
	"rsc.io/qr"
)

// quietZone is the white margin around a code, in modules: ISO/IEC 18004 asks
// for four.
const quietZone = 4

// QR draws a text as a QR code, dark on white whatever the page's colours, since
// a camera needs that. Title says what it is. A text that is too long for a code
// draws nothing.
func QR(text, title string) templ.Component {
	return templ.ComponentFunc(func(_ context.Context, w io.Writer) error {
		_, err := io.WriteString(w, qrSVG(text, title))
		return err
	})
}

// qrSVG is the drawing: each row's dark modules in one path, in units of a
// module.
func qrSVG(text, title string) string {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return ""
	}
	var path strings.Builder
	for y := range code.Size {
		for x := 0; x < code.Size; x++ {
			if !code.Black(x, y) {
				continue
			}
			from := x
			for x+1 < code.Size && code.Black(x+1, y) {
				x++
			}
			fmt.Fprintf(&path, "M%d %dh%dv1h-%dz", from+quietZone, y+quietZone, x-from+1, x-from+1)
		}
	}
	side := code.Size + 2*quietZone
	return fmt.Sprintf(`<svg class="qr" viewBox="0 0 %d %d" role="img" shape-rendering="crispEdges" aria-label="%s"><rect class="qr-paper" width="%d" height="%d"/><path class="qr-ink" d="%s"/></svg>`,
		side, side, html.EscapeString(title), side, side, path.String())
}

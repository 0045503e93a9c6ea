package browsertest

import (
	"fmt"
	"os"
	"path/filepath"

	"github.com/chromedp/chromedp"
)

// Window writes a picture of what the window shows into the directory that
// OHMKEEP_SHOTS names.
func (b *Tab) Window(name string) { b.picture(name, chromedp.CaptureScreenshot()) }

// Shot writes a picture of the page into the directory that OHMKEEP_SHOTS
// names, for a person to look at.
func (b *Tab) Shot(name string) { b.picture(name, chromedp.FullScreenshot(100)) }

func (b *Tab) picture(name string, take chromedp.Action[[]byte]) {
	dir := os.Getenv("OHMKEEP_SHOTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(b.Ctx, take)
	if err != nil {
		b.T.Logf("no picture of %s: %v", name, err)
		return
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644); err != nil {
		b.T.Log(err)
	}
}

// Fits checks that the page does not have to be scrolled sideways.
func (b *Tab) Fits(what string) {
	b.T.Helper()
	over := Evaluate[float64](b, "document.documentElement.scrollWidth - document.documentElement.clientWidth")
	if over > 0 {
		wide := Evaluate[string](b, `[...document.querySelectorAll("main *, header *, footer *")].filter(e =>
			e.getBoundingClientRect().right > document.documentElement.clientWidth + 0.5 && !e.closest("[data-scroll], .table-frame, .package-frame")).slice(0, 3)
			.map(e => e.tagName + "." + (e.getAttribute("class") || "") + "#" + e.id).join(", ")`)
		b.T.Errorf("%s is %s px wider than the window: %s", what, fmt.Sprint(over), wide)
	}
}

package web

import (
	"fmt"
	"maps"
	"math"
	"net/http/httptest"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/a-h/templ"

	"ohmkeep/assets"
	"ohmkeep/web/browsertest"
)

// From a phone to a wall screen: nothing sticks out sideways, every control
// has a label, every button can be hit. Two tabs share the samples: what a tab
// costs is more than what a page does.
func TestBrowserPagesFitEveryScreen(t *testing.T) {
	pages := map[string]templ.Component{}
	for name, c := range samples() {
		pages["/"+name] = c
	}
	s := newSite(t, pages)
	const tabs = 2
	for n := range tabs {
		t.Run(fmt.Sprint("tab ", n), func(t *testing.T) {
			t.Parallel()
			// The log of a bench is not served here, and one sample is a form
			// with a date that there is not.
			b := tab(t, "about:blank", "405", `"2026-13-40" does not conform`)
			for i, path := range slices.Sorted(maps.Keys(pages)) {
				if i%tabs == n {
					b.Open(s.URL + path)
					fitsEveryScreen(b, path)
				}
			}
		})
	}
}

// fitsEveryScreen checks the page that the tab shows.
func fitsEveryScreen(b *browsertest.Tab, path string) {
	b.T.Helper()
	for _, width := range []int64{3840, 1280, 768, 360} {
		b.Size(width, 900)
		if over := eval[int](b, `document.scrollingElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
			b.T.Errorf("%s at %d: %d px too wide: %s", path, width, over, eval[string](b,
				`[...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest(".table-frame, .package-frame, .skip")).slice(0, 3).map(e => e.outerHTML.slice(0, 90)).join(" | ")`))
		}
	}
	if bare := eval[string](b, `[...document.querySelectorAll("input:not([type=hidden]), select, textarea")].filter(e => e.labels.length === 0 && !e.ariaLabel && e.checkVisibility()).map(e => e.outerHTML).join(" ")`); bare != "" {
		b.T.Errorf("%s: no label on %s", path, bare)
	}
	if small := eval[string](b, `[...document.querySelectorAll("button:not(.unseen)")].filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 31).map(e => e.outerHTML).join(" ")`); small != "" {
		b.T.Errorf("%s: too small to hit: %s", path, small)
	}
}

// WCAG 2.2 asks for a contrast of 4.5 for text (1.4.3); relative luminance as
// defined there.
func TestInkStandsOutFromPaper(t *testing.T) {
	w := httptest.NewRecorder()
	assets.Handler().ServeHTTP(w, httptest.NewRequest("GET", assets.URL("css/paper.css"), nil))
	light, dark, found := strings.Cut(w.Body.String(), "prefers-color-scheme: dark")
	if !found {
		t.Fatal("no dark variant")
	}
	colour := regexp.MustCompile(`--([a-z0-9-]+): (#[0-9a-f]{6});`)
	for variant, css := range map[string]string{"light": light, "dark": dark} {
		tones := map[string]string{}
		for _, m := range colour.FindAllStringSubmatch(css, -1) {
			if tones[m[1]] == "" {
				tones[m[1]] = m[2]
			}
		}
		check := func(ink, paper string) {
			if c := contrast(t, tones[ink], tones[paper]); c < 4.5 {
				t.Errorf("%s: %s on %s has contrast %.2f", variant, ink, paper, c)
			}
		}
		for _, ink := range []string{"ink", "soft", "accent", "pass", "cond-pass", "cond-fail", "fail", "invalid", "s0", "s1", "s2", "s3", "s4", "s5"} {
			check(ink, "paper")
			check(ink, "sheet")
		}
		check("ink", "accent-wash")
		check("soft", "accent-wash")
		check("accent", "accent-wash")
		check("fail", "fail-wash")
		check("on-accent", "accent")
		check("on-fail", "fail")
	}
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	n, err := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 32)
	if err != nil {
		t.Fatalf("colour %q: %v", hex, err)
	}
	part := func(shift uint) float64 {
		c := float64(n>>shift&0xff) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*part(16) + 0.7152*part(8) + 0.0722*part(0)
}

package main

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// The bench as an ohmmeter and as a curve tracer, in a few clicks, and kept.
func TestBrowserManual(t *testing.T) {
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.open(p.base + "/bench")
	b.do(chromedp.WaitVisible("#seat-model"), chromedp.SetValue("#seat-model", "device:dunmoss-8"))
	b.fill("#seat-serial", "R-1")
	b.submit(`form[action="/bench/seat"] button[type=submit]`)
	if got := b.text("#bench-strip"); !strings.Contains(got, "Dunmoss 8, unit R-1") {
		t.Fatalf("the head says %q", got)
	}

	b.open(p.base + "/manual?device=dunmoss-8")
	b.click(`#manual-pins [data-pin="1"]`)
	b.click(`#manual-pins [data-pin="16"]`)
	if got := b.text("#picked"); !strings.Contains(got, "1") || !strings.Contains(got, "16") {
		t.Errorf("picked: %q", got)
	}
	b.click(`input[name=do][value=ohm]`)
	b.fill("#manual-current", "100 uA")
	b.fill("#manual-compliance", "5 V")
	b.submit(`#manual-form button[type=submit]`)
	b.until(`document.querySelector("#manual-live .big-value") && document.querySelector("#manual-live .big-value").textContent.includes("Ω")`)
	b.until(`!document.getElementById("stop-manual")`)
	b.shot("manual-ohm-1280")
	b.size(390, 900)
	b.fits("manual page at 390 px")
	b.shot("manual-ohm-390")
	b.size(1280, 900)

	b.fill("#keep-serial", "R-1")
	b.submit(`form[action="/manual/keep"] button[type=submit]`)
	if !strings.Contains(b.address(), "/runs/") || !strings.Contains(b.text("#run-results"), "Ω") {
		t.Errorf("keeping led to %s: %s", b.address(), b.text("main"))
	}
	b.shot("manual-kept")

	b.open(p.base + "/manual?device=dunmoss-8")
	b.click(`input[name=do][value=curve]`)
	b.fill("#manual-from", "-2 V")
	b.fill("#manual-to", "2 V")
	b.fill("#manual-compliance", "2 mA") // the part is rated for 5 mA
	b.submit(`#manual-form button[type=submit]`)
	if said := evaluate[string](b, `[...document.querySelectorAll("main .error, main .notice-problem")].map(e => e.textContent).join("; ")`); said != "" {
		t.Fatalf("the sweep is refused: %s", said)
	}
	b.until(`document.querySelectorAll("#manual-live svg [class^=s]").length > 0`)
	b.until(`!document.getElementById("stop-manual")`)
	b.shot("manual-curve")
}

// Wrong entries come back with a message beside the field and everything that
// was typed.
func TestBrowserBadEntries(t *testing.T) {
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.allow("422")
	b.open(p.base + "/manual?device=tarnel-6")
	b.do(chromedp.WaitVisible("#manual-pin"), chromedp.SetValue("#manual-pin", "1"))
	for _, bad := range []struct{ level, says string }{
		{"3 mA", "V"}, {"", "nothing given"}, {"NaN", "number"}, {"1e400", "large"}, {"99 V", "rating"}, {strings.Repeat("9", 70), "long"},
	} {
		b.do(chromedp.WaitVisible("#manual-level"))
		b.fill("#manual-level", bad.level)
		b.submit(`#manual-form button[type=submit]`)
		said := evaluate[string](b, `(document.getElementById("manual-level-error") || {}).textContent || ""`)
		if said == "" {
			t.Errorf("level %q: nothing beside the field: %s", bad.level, b.text("main"))
		} else if !strings.Contains(strings.ToLower(said), strings.ToLower(bad.says)) {
			t.Errorf("level %q: %q does not speak of %q", bad.level, said, bad.says)
		}
		if got := evaluate[string](b, `document.getElementById("manual-level").value`); got != bad.level {
			t.Errorf("level %q came back as %q", bad.level, got)
		}
		if invalid := evaluate[string](b, `document.getElementById("manual-level").getAttribute("aria-invalid")`); invalid != "true" {
			t.Errorf("level %q is not marked for a screen reader", bad.level)
		}
	}
	b.shot("bad-entry")
}

package main

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// The bench as an ohmmeter and as a curve tracer, in a few clicks, and kept.
func TestBrowserManual(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Open(p.base + "/bench")
	b.Do(chromedp.WaitVisible("#seat-model"), chromedp.SetValue("#seat-model", "device:dunmoss-8"))
	b.Fill("#seat-serial", "R-1")
	b.Submit(`form[action="/bench/seat"] button[type=submit]`)
	if got := b.Text("#bench-strip"); !strings.Contains(got, "Dunmoss 8, unit R-1") {
		t.Fatalf("the head says %q", got)
	}

	b.Open(p.base + "/manual?device=dunmoss-8")
	b.Click(`#manual-pins [data-pin="1"]`)
	b.Click(`#manual-pins [data-pin="16"]`)
	if got := b.Text("#picked"); !strings.Contains(got, "1") || !strings.Contains(got, "16") {
		t.Errorf("picked: %q", got)
	}
	b.Click(`input[name=do][value=ohm]`)
	b.Fill("#manual-current", "100 uA")
	b.Fill("#manual-compliance", "5 V")
	b.Submit(`#manual-form button[type=submit]`)
	b.Until(`document.querySelector("#manual-live .big-value") && document.querySelector("#manual-live .big-value").textContent.includes("Ω")`)
	b.Until(`!document.getElementById("stop-manual")`)
	b.Shot("manual-ohm-1280")
	b.Size(390, 900)
	b.Fits("manual page at 390 px")
	b.Shot("manual-ohm-390")
	b.Size(1280, 900)

	b.Fill("#keep-serial", "R-1")
	b.Submit(`form[action="/manual/keep"] button[type=submit]`)
	if !strings.Contains(b.Address(), "/runs/") || !strings.Contains(b.Text("#run-results"), "Ω") {
		t.Errorf("keeping led to %s: %s", b.Address(), b.Text("main"))
	}
	b.Shot("manual-kept")

	b.Open(p.base + "/manual?device=dunmoss-8")
	b.Click(`input[name=do][value=curve]`)
	b.Fill("#manual-from", "-2 V")
	b.Fill("#manual-to", "2 V")
	b.Fill("#manual-compliance", "2 mA") // the part is rated for 5 mA
	b.Submit(`#manual-form button[type=submit]`)
	if said := evaluate[string](b, `[...document.querySelectorAll("main .error, main .notice-problem")].map(e => e.textContent).join("; ")`); said != "" {
		t.Fatalf("the sweep is refused: %s", said)
	}
	b.Until(`document.querySelectorAll("#manual-live svg [class^=s]").length > 0`)
	b.Until(`!document.getElementById("stop-manual")`)
	b.Shot("manual-curve")
}

// Wrong entries come back with a message beside the field and everything that
// was typed.
func TestBrowserBadEntries(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Allow("422")
	b.Open(p.base + "/manual?device=tarnel-6")
	b.Do(chromedp.WaitVisible("#manual-pin"), chromedp.SetValue("#manual-pin", "1"))
	for _, bad := range []struct{ level, says string }{
		{"3 mA", "V"}, {"", "nothing given"}, {"NaN", "number"}, {"1e400", "large"}, {"99 V", "rating"}, {strings.Repeat("9", 70), "long"},
	} {
		b.Do(chromedp.WaitVisible("#manual-level"))
		b.Fill("#manual-level", bad.level)
		b.Submit(`#manual-form button[type=submit]`)
		said := evaluate[string](b, `(document.getElementById("manual-level-error") || {}).textContent || ""`)
		if said == "" {
			t.Errorf("level %q: nothing beside the field: %s", bad.level, b.Text("main"))
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
	b.Shot("bad-entry")
}

// TestBrowserCheckLoad: a check load that no device describes is measured in a few
// clicks, what is in the socket is what is offered, and a reading says by which method
// it was made when another is asked for and refused.
func TestBrowserCheckLoad(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Open(p.base + "/bench")
	b.Do(chromedp.WaitVisible("#seat-model"), chromedp.SetValue("#seat-model", "model:check-load"))
	b.Submit(`form[action="/bench/seat"] button[type=submit]`)

	b.Open(p.base + "/manual")
	if got := b.Text("#bare"); !strings.Contains(got, "5 V and 10 mA") {
		t.Errorf("of bare contacts the page says %q", got)
	}
	b.Click(`#manual-pins [data-pin="1"]`)
	b.Click(`#manual-pins [data-pin="2"]`)
	b.Submit(`#manual-form button[type=submit]`)
	b.Until(`document.querySelector("#manual-live .big-value") && document.querySelector("#manual-live .big-value").textContent.includes("Ω")`)
	b.Until(`!document.getElementById("stop-manual")`)
	if got := b.Text("#manual-live"); !strings.Contains(got, "two wires") && !strings.Contains(got, "two-wire") {
		t.Errorf("how it was read: %q", got)
	}
	b.views("manual-bare")

	b.Allow("422")
	b.Do(chromedp.SetValue("#manual-method", "four-wire"))
	b.Fill("#manual-current", "50 mA")
	b.Submit(`#manual-form button[type=submit]`)
	if got := b.Text("#manual-live"); !strings.Contains(got, "Read before, with other settings") || !strings.Contains(got, "two-wire") {
		t.Errorf("after four wires were refused: %q", got)
	}
	b.Shot("manual-refused")
	b.Open(p.base + "/manual?device=tarnel-6")
	if got := b.Text("#elsewhere"); !strings.Contains(got, "Something else is in the socket") {
		t.Errorf("of another device the page says %q", got)
	}
}

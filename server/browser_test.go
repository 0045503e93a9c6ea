package main

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// A newcomer's path: start, open the link, run, watch, read, share, export.
func TestBrowserNewcomer(t *testing.T) {
	p := startProgram(t, "", true)
	b := newTab(t)
	b.open(p.link())
	b.fill("#sign-in-name", "Newcomer")
	b.submit("#sign-in")
	b.do(chromedp.WaitVisible("#start-procedure"))
	b.shot("newcomer-1-home")

	b.do(chromedp.SetValue("#start-procedure", "tarnel-6-quick"))
	b.fill("#start-serial", "N-1")
	b.submit(`form[action="/runs"] button[type=submit]`)
	if !strings.Contains(b.address(), "/runs/") {
		t.Fatalf("not on a run's page but on %s", b.address())
	}
	run := b.address()
	b.until(`document.body.dataset.ready`)
	first := evaluate[float64](b, "Number(document.body.dataset.seq)")
	b.until(fmt.Sprintf("Number(document.body.dataset.seq) > %.0f", first))
	b.until(`Number(document.getElementById("run-status").dataset.readings) > 0`)
	b.shot("newcomer-2-running")
	b.until(`document.getElementById("run-status").dataset.status === "done"`)
	b.shot("newcomer-3-done")
	b.window("screenshot") // the README's picture: assets/screenshot.png
	b.size(390, 900)
	b.fits("the run page at 390 px")
	b.shot("newcomer-3-done-390")
	b.dark(true)
	b.shot("newcomer-3-done-390-dark")
	b.dark(false)
	b.size(1280, 900)
	live := b.text("#run-results")
	b.open(run)
	if stored := b.text("#run-results"); stored != live {
		t.Errorf("the permanent page shows other results than the live one did:\n%s\n%s", live, stored)
	}
	if verdict := b.text("#run-status .verdict"); !strings.Contains(verdict, "pass") {
		t.Errorf("a sound unit gave %q", verdict)
	}

	b.submit(`form[action$="/share"] button[type=submit]`)
	link := evaluate[string](b, `[...document.querySelectorAll("#main a, #main input")].map(e => e.href || e.value).find(v => v && v.includes("/s/"))`)
	guest := newTab(t)
	guest.open(link)
	if got := guest.text("#run-results"); got != live {
		t.Error("the shared page shows other results")
	}
	if n := evaluate[int](guest, `document.querySelectorAll("form").length`); n != 0 {
		t.Errorf("the shared page has %d forms", n)
	}
	guest.shot("newcomer-4-shared")

	csv, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](
		fmt.Sprintf(`fetch(%q).then(r => r.text())`, strings.TrimPrefix(run, p.base)+"/readings.csv"), chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatal(err)
	}
	if lines := strings.Count(csv, "\r\n"); lines < 100 {
		t.Errorf("the CSV of readings has %d lines", lines)
	}
}

// Every page, narrow and wide, light and dark: nothing on the console, nothing
// wider than the window.
func TestBrowserPages(t *testing.T) {
	p := startProgram(t, "", true)
	b := newTab(t)
	b.open(p.link())
	b.submit("#sign-in")
	pages := []struct{ name, path string }{
		{"home", "/"}, {"devices", "/devices"}, {"device", "/devices/tarnel-6"}, {"device48", "/devices/averlock-48"},
		{"procedure", "/procedures/tarnel-6-quick"}, {"bench", "/bench"}, {"manual", "/manual?device=tarnel-6"},
		{"runs", "/runs"}, {"compare", "/compare"}, {"about", "/about"},
	}
	b.until(`document.querySelectorAll("main a[href^='/runs/']").length > 0`)
	for _, q := range pages {
		for _, width := range []int64{1280, 390} {
			b.size(width, 900)
			b.open(p.base + q.path)
			b.fits(fmt.Sprintf("%s at %d px", q.name, width))
			b.shot(fmt.Sprintf("page-%s-%d", q.name, width))
		}
		b.dark(true)
		b.shot("page-" + q.name + "-390-dark")
		b.dark(false)
	}
}

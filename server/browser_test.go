package main

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"ohmkeep/store/storetest"
)

// A newcomer's path: start, open the link, run, watch, read, share, export.
func TestBrowserNewcomer(t *testing.T) {
	t.Parallel()
	p := startProgram(t, storetest.Dir(t), true) // a first start, the demonstration lot beside it
	b := newTab(t)
	b.Open(p.link())
	b.Fill("#sign-in-name", "Newcomer")
	b.Submit("#sign-in")
	b.Do(chromedp.WaitVisible("#start-procedure"))
	b.Shot("newcomer-1-home")

	b.Do(chromedp.SetValue("#start-procedure", "tarnel-6-quick"))
	b.Fill("#start-serial", "N-1")
	b.Submit(`form[action="/runs"] button[type=submit]`)
	if !strings.Contains(b.Address(), "/runs/") {
		t.Fatalf("not on a run's page but on %s", b.Address())
	}
	run := b.Address()
	b.Until(`document.body.dataset.ready`)
	first := evaluate[float64](b, "Number(document.body.dataset.seq)")
	b.Until(fmt.Sprintf("Number(document.body.dataset.seq) > %.0f", first))
	b.Until(`Number(document.getElementById("run-status").dataset.readings) > 0`)
	b.Shot("newcomer-2-running")
	b.Until(`document.getElementById("run-status").dataset.status === "done"`)
	b.Shot("newcomer-3-done")
	b.Window("screenshot") // the README's picture: assets/screenshot.png
	b.Size(390, 900)
	b.Fits("the run page at 390 px")
	b.Shot("newcomer-3-done-390")
	b.Dark(true)
	b.Shot("newcomer-3-done-390-dark")
	b.Dark(false)
	b.Size(1280, 900)
	live := b.Text("#run-results")
	b.Open(run)
	if stored := b.Text("#run-results"); stored != live {
		t.Errorf("the permanent page shows other results than the live one did:\n%s\n%s", live, stored)
	}
	if verdict := b.Text("#run-status .verdict"); !strings.Contains(verdict, "pass") {
		t.Errorf("a sound unit gave %q", verdict)
	}

	b.Submit(`form[action$="/share"] button[type=submit]`)
	link := evaluate[string](b, `[...document.querySelectorAll("#main a, #main input")].map(e => e.href || e.value).find(v => v && v.includes("/s/"))`)
	guest := newTab(t)
	guest.Open(link)
	if got := guest.Text("#run-results"); got != live {
		t.Error("the shared page shows other results")
	}
	if n := evaluate[int](guest, `document.querySelectorAll("form").length`); n != 0 {
		t.Errorf("the shared page has %d forms", n)
	}
	guest.Shot("newcomer-4-shared")

	csv := await[string](b, fmt.Sprintf(`fetch(%q).then(r => r.text())`, strings.TrimPrefix(run, p.base)+"/readings.csv"))
	if lines := strings.Count(csv, "\r\n"); lines < 100 {
		t.Errorf("the CSV of readings has %d lines", lines)
	}
}

// Every page, narrow and wide, light and dark: nothing on the console, nothing
// wider than the window.
func TestBrowserPages(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := atHome(t, p)
	pages := []struct{ name, path string }{
		{"home", "/"}, {"devices", "/devices"}, {"device", "/devices/tarnel-6"}, {"device48", "/devices/averlock-48"},
		{"procedure", "/procedures/tarnel-6-quick"}, {"bench", "/bench"}, {"manual", "/manual?device=tarnel-6"},
		{"runs", "/runs"}, {"compare", "/compare"}, {"about", "/about"},
	}
	b.Until(`document.querySelectorAll("main a[href^='/runs/']").length > 0`)
	for _, q := range pages {
		for _, width := range []int64{1280, 390} {
			b.Size(width, 900)
			b.Open(p.base + q.path)
			b.Fits(fmt.Sprintf("%s at %d px", q.name, width))
			b.Shot(fmt.Sprintf("page-%s-%d", q.name, width))
		}
		b.Dark(true)
		b.Shot("page-" + q.name + "-390-dark")
		b.Dark(false)
	}
}

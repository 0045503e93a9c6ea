package main

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// signedIn is an empty tab that is signed in as the program's owner: by its form, and
// without the two pages that this takes in a browser (TestBrowserNewcomer does that).
func signedIn(t testing.TB, p *program) *tab {
	t.Helper()
	b := newTab(t)
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	answer, err := client.PostForm(p.base+"/sign-in", url.Values{"key": {p.key}, "name": {"owner"}})
	if err != nil {
		t.Fatal(err)
	}
	_ = answer.Body.Close() // only its cookies are of interest
	if len(answer.Cookies()) == 0 {
		t.Fatalf("signing in answers %s without a cookie", answer.Status)
	}
	for _, c := range answer.Cookies() {
		b.Cookie(p.base, c.Name, c.Value)
	}
	return b
}

// atHome opens the program's first page as its owner.
func atHome(t testing.TB, p *program) *tab {
	t.Helper()
	b := signedIn(t, p)
	b.Open(p.base + "/")
	return b
}

// startRun starts a procedure from the first page and waits until its first
// readings are shown.
func (b *tab) startRun(procedure, serial string) string {
	b.T.Helper()
	b.Do(chromedp.WaitVisible("#start-procedure"), chromedp.SetValue("#start-procedure", procedure))
	b.Fill("#start-serial", serial)
	b.Submit(`form[action="/runs"] button[type=submit]`)
	b.Until(`document.body.dataset.ready && Number(document.getElementById("run-status").dataset.readings) > 0`)
	return b.Address()
}

// endless is a procedure that goes on until somebody stops it, however busy the
// machine is that runs the browser.
const endless = "endless"

// offerEndless stores it: the demonstration's characterisation, and then an
// hour of watching one pin.
func (p *program) offerEndless() {
	p.t.Helper()
	kept, err := p.app.store.GetProcedure(p.t.Context(), "tarnel-6-characterisation", 0)
	if err != nil {
		p.t.Fatal(err)
	}
	long := kept.Body
	long.Key, long.Name = endless, "Endless"
	long.Measurements = append(slices.Clone(long.Measurements), procedure.Measurement{
		ID: "endless", Name: "Endless", Kind: "watch", Pins: []int{1}, Use: procedure.UseCurrent, Level: 100e-6, Compliance: 2,
		Settle: procedure.Settle{Time: 0.02}, Aperture: procedure.Aperture{Seconds: 0.02}, Duration: 3600, Interval: 0.1,
	})
	if _, err := p.app.store.SaveProcedure(p.t.Context(), long, 0, "test"); err != nil {
		p.t.Fatal(err)
	}
}

const runIs = `document.getElementById("run-status").dataset.status === `

// stopRun clicks on stop, waits until the bench is safe, and returns the time
// from the click in the page to then.
func (b *tab) stopRun(p *program) time.Duration {
	b.T.Helper()
	evaluate[bool](b, `document.addEventListener("click", () => { window.clicked = Date.now(); }, true), true`)
	b.Click("#stop-run")
	look := time.NewTicker(time.Millisecond)
	defer look.Stop()
	for p.app.benches.station().Snapshot().State != bench.Safe {
		<-look.C
	}
	clicked := time.UnixMilli(int64(evaluate[float64](b, `window.clicked`)))
	return p.app.benches.station().Snapshot().Since.Sub(clicked)
}

// BenchmarkBrowserStop is the time from the click on stop in a browser to a
// safe rehearsal bench, in the middle of a run. To reach: 100 ms.
func BenchmarkBrowserStop(b *testing.B) {
	p := startProgram(b, "", true)
	p.offerEndless()
	page := signedIn(b, p)
	var took time.Duration
	for n := range b.N {
		page.Open(p.base)
		page.startRun(endless, fmt.Sprint("S-", n))
		took += page.stopRun(p)
		page.Until(runIs + `"stopped"`)
	}
	b.ReportMetric(took.Seconds()*1e3/float64(b.N), "ms/stop")
	b.ReportMetric(0, "ns/op") // it is mostly the browser's
}

// Stop acts at once, on this page and on everybody else's; stopping twice
// harms nothing.
func TestBrowserStop(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	p.offerEndless()
	b := atHome(t, p)
	run := b.startRun(endless, "S-1")
	other := b.second()
	other.Open(run)
	other.Until(`document.body.dataset.ready`)

	t.Logf("safe %v after the click", b.stopRun(p))
	b.Until(runIs + `"stopped"`)
	other.Until(runIs + `"stopped"`)
	if !strings.Contains(b.Text("#run-status"), "stopped by owner") {
		t.Errorf("the page does not say who stopped it: %s", b.Text("#run-status"))
	}
	b.Open(run)
	b.Until(runIs + `"stopped"`)
	if twice := await[int](b, `fetch(location.pathname + "/stop", {method: "POST"}).then(r => r.status)`); twice != 200 {
		t.Errorf("stopping twice gives %d", twice)
	}
}

// The server is stopped in the middle of a run and started again: the page
// says so, and what it showed is on record.
func TestBrowserServerStops(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	p.offerEndless()
	b := atHome(t, p)
	run := b.startRun(endless, "K-1")
	shown := evaluate[float64](b, `Number(document.getElementById("run-status").dataset.readings)`)
	b.Allow("WebSocket connection to")
	p.stop()
	b.Until(runIs + `"interrupted"`)
	startProgramOn(t, strings.TrimPrefix(p.base, "http://"), p.dir, true)
	b.Open(run)
	b.Until(runIs + `"interrupted"`)
	if got := evaluate[float64](b, `Number(document.getElementById("run-status").dataset.readings)`); got < shown {
		t.Errorf("%v readings were shown, %v are on record", shown, got)
	}
	if got := b.Text("#run-status"); !strings.Contains(got, "the server was stopped") {
		t.Errorf("the page does not say why: %s", got)
	}
}

// The line between page and server breaks for a while: the page says so, comes
// back by itself, and has missed nothing.
func TestBrowserLineBreaks(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	p.offerEndless() // a run that ends by itself may be over before the line is cut
	line := newLine(t, strings.TrimPrefix(p.base, "http://"))
	p.base = "http://" + line.address()
	b := atHome(t, p)
	run := b.startRun(endless, "L-1")
	b.Allow("WebSocket connection to")
	line.cut()
	b.Until(`document.getElementById("connection").textContent.includes("lost")`)
	b.Shot("connection-lost")
	line.mend()
	b.Until(`document.body.dataset.ready === "live"`)
	b.stopRun(p)
	b.Until(runIs + `"stopped"`)
	live := b.Text("#run-results")
	fresh := b.second()
	fresh.Open(run)
	if stored := fresh.Text("#run-results"); stored != live {
		t.Errorf("the page that was away shows other results than the record:\n%s\n%s", live, stored)
	}
}

// Two people at one bench: the second is told why not, and loses nothing that
// was typed. The back button leads to a form that works.
func TestBrowserBusy(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	p.offerEndless()
	b := signedIn(t, p)
	b.Open(p.base + "/")
	two := b.second()
	two.Open(p.base + "/")
	b.startRun(endless, "B-1")
	two.Do(chromedp.WaitVisible("#start-procedure"), chromedp.SetValue("#start-procedure", "tarnel-6-quick"))
	two.Allow("409")
	two.Fill("#start-serial", "B-2")
	two.Submit(`form[action="/runs"] button[type=submit]`)
	if got := two.Text("main"); !strings.Contains(got, "a run is at work on this bench") {
		t.Errorf("the second person is not told why: %s", got)
	}
	if got := evaluate[string](two, `document.getElementById("start-serial").value`); got != "B-2" {
		t.Errorf("what was typed is lost: %q", got)
	}
	two.Shot("busy")
	b.Click("#stop-run")
	b.Until(runIs + `"stopped"`)
	b.Do(chromedp.NavigateBack())
	b.startRun(endless, "B-3")
	b.Click("#stop-run")
	b.Until(runIs + `"stopped"`)
}

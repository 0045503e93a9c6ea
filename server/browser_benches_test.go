package main

import (
	"context"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/emulator"
	"ohmkeep/server/rehearsal"
)

// A newcomer describes a bench from the short form, looks it over, makes paths
// by a rule and saves; the pages fit every window.
func TestBrowserBenchFromNothing(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Open(p.base + "/bench")
	b.Submit(`a[href="/benches"]`)
	b.views("benches")
	b.Submit("#new-bench")
	b.Fill("#new-name", "On the desk")
	b.Fill("#new-contacts", "24")
	b.Fill("#new-addresses", "tcp://127.0.0.1:5025")
	evaluate[bool](b, `(() => {
		const data = new DataTransfer();
		data.setData("text/plain", "2 V; 10 V\t16 bit\t0.05 %\t0.02 %\t5 ppm\n1 µA; 100 µA; 10 mA\t16 bit\t0.1 %\t300 ppm\t10 ppm\n2 V; 10 V\t20 bit\t0.03 %\t50 ppm\t2 ppm\n1 µA; 100 µA; 10 mA\t20 bit\t0.05 %\t100 ppm\t5 ppm\n");
		const cell = document.getElementById("new-functions-0-scales");
		cell.focus();
		return cell.dispatchEvent(new ClipboardEvent("paste", {clipboardData: data, bubbles: true, cancelable: true}));
	})()`)
	if rows := evaluate[int](b, `document.querySelectorAll(".new-grid tbody tr").length`); rows != 4 {
		t.Errorf("%d rows of functions after pasting", rows)
	}
	b.views("bench-new")
	b.Submit("#begin-bench")
	if !strings.HasSuffix(b.Address(), "/benches/on-the-desk/edit") {
		t.Fatalf("after beginning, the page is %s: %s", b.Address(), b.Text("main"))
	}
	b.views("bench-edit")

	b.Fill("#bench-connections-0-address", "serial:///dev/ttyACM0?baud=921600")
	b.Do(chromedp.Focus("#bench-connections-0-address"), chromedp.KeyEvent("\t"))
	evaluate[bool](b, `document.getElementById("bench-connections-0-address").dispatchEvent(new Event("change", {bubbles: true}))`)
	b.Until(`document.getElementById("bench-addresses").textContent.includes("921600 bits/s")`)
	evaluate[bool](b, `document.getElementById("rule").open = true`)
	b.Fill("#bench-ruleLines", "all")
	b.Fill("#bench-ruleFrom", "1")
	b.Fill("#bench-ruleTo", "24")
	b.Fill("#bench-ruleWays", "8")
	b.Fill("#bench-ruleResistance", "6 Ω")
	b.Submit("#make-paths")
	if said := b.Text("#bench-paths-read"); !strings.Contains(said, "48 paths were made by the rule") || !strings.Contains(said, "1 to 24") {
		t.Errorf("after the rule: %s", said)
	}
	b.views("bench-rule")
	b.Submit("#save-bench")
	b.views("bench-page")
	d, err := p.app.store.GetBench(t.Context(), "on-the-desk", 0)
	if err != nil || d.Rev != 2 || len(d.Body.Paths) != 72 || d.Body.Paths[8].Mux != "1A/9-16" || d.Body.Connections[0].Address != "serial:///dev/ttyACM0?baud=921600" {
		t.Errorf("kept revision %d: %v", d.Rev, err)
	}
	b.Open(p.base + "/benches/on-the-desk/revisions")
	b.views("bench-revisions")
	b.Open(p.base + "/benches/on-the-desk/dialect?connection=Cards")
	b.views("bench-dialect")
	b.Open(p.base + "/benches/rehearsal")
	b.views("bench-rehearsal")
}

// patience is the watchdog of cards whose host is a program that a busy machine
// may hold up.
const patience = time.Minute

// emulatedCard serves the rehearsal bench as cards with a watchdog over TCP and
// returns its address.
func emulatedCard(t *testing.T, watchdog time.Duration) string {
	t.Helper()
	def := rehearsal.DefaultBench()
	link, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: bench.FineClock{}, Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	card, err := emulator.New(emulator.Config{Link: link, Definition: def, Watchdog: watchdog, Serial: "77"})
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- card.Listen(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return "tcp://" + l.Addr().String()
}

// The rehearsal bench is copied for cards that answer, put in use, and a text of
// their dialect is tried: what came back stands beside it, and after anything
// but a question the bench is made safe. What is saved takes effect when the
// bench is used again.
func TestBrowserBenchInUse(t *testing.T) {
	t.Parallel()
	address := emulatedCard(t, patience)
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Open(p.base + "/benches/rehearsal")
	evaluate[bool](b, `document.getElementById("copy-bench").open = true`)
	b.Fill("#copy-name", "Two cards")
	b.Fill("#copy-address", address)
	b.Submit(`form[action$="/copy"] button`)
	b.Fill("#bench-connections-0-timeout", "400 ms") // also how long a text that is tried waits
	b.Submit("#save-bench")
	b.Open(p.base + "/benches")
	b.Submit("#use-two-cards")
	if !strings.HasSuffix(b.Address(), "/bench") {
		t.Fatalf("after use, the page is %s: %s", b.Address(), b.Text("main"))
	}
	// A frame that was under way from before may show the other bench for a moment.
	b.Until(`document.querySelector(".strip").textContent.includes("Two cards")`)
	b.Open(p.base + "/benches")
	if said := b.Text(".health"); !strings.Contains(said, "ready") || !strings.Contains(said, "77") {
		t.Errorf("the connection stands as %s", said)
	}
	b.views("benches-in-use")

	dialect := p.base + "/benches/two-cards/dialect?connection=Cards"
	b.Open(dialect)
	if said := b.Text("#no-try"); !strings.Contains(said, "Take control") {
		t.Errorf("without control: %s", said)
	}
	b.Open(p.base + "/bench")
	b.Submit(`form[action="/bench/control"] button`)
	b.Open(dialect)
	b.Click(`button[value="try:identify"]`)
	b.Until(`document.getElementById("tried-identify").textContent.includes("Rehearsal card,77")`)
	b.Fill("#dialect-sampleChannel", "9")
	b.Fill("#dialect-text-outputState", "OUTPUT{channel}?")
	b.Click(`button[value="try:outputState"]`)
	b.Until(`document.getElementById("tried-outputState").textContent.includes("-114")`)
	b.views("bench-tried")

	b.Allow("409 (Conflict)")
	b.Fill("#dialect-sampleChannel", "1")
	evaluate[string](b, `document.getElementById("dialect-text-outputState").value = ""`)
	b.Click(`button[value="try:outputOn"]`)
	b.Do(chromedp.WaitVisible("#confirm-all"))
	evaluate[bool](b, `[...document.querySelectorAll('[name="confirm"][type="checkbox"]')].map((box) => { box.checked = true; }).length > 0`)
	b.Submit("#confirm-all")
	if said := b.Text("#tried-outputOn"); !strings.Contains(said, "OUTP1 ON") || !strings.Contains(said, "Settings conflict") || !strings.Contains(said, "made safe") {
		t.Errorf("switching an output on without a protection: %s", said)
	}
	b.Fill("#dialect-text-confirm", "*ESR?;*STB?")
	b.Submit("#save-dialect")
	if said := b.Text("#newer"); !strings.Contains(said, "*ESR?;*STB?") {
		t.Errorf("a saved bench that is not used yet: %s", said)
	}
	b.Shot("bench-newer")
	b.Submit(`#newer form button`)
	b.Open(p.base + "/benches/two-cards")
	if evaluate[bool](b, `document.getElementById("newer") !== null`) {
		t.Error("after it was used again, the bench is still told to be newer")
	}
	// With that dialect nothing confirms that the bench is safe: it is left only
	// by an owner who says that its power is off.
	b.Open(p.base + "/benches")
	b.Click("#power-off-rehearsal")
	b.Submit("#use-rehearsal")
	b.Until(`document.querySelector(".strip").textContent.includes("Rehearsal bench")`)
}

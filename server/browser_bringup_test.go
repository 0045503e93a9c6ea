package main

import (
	"flag"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// onCards puts a copy of the rehearsal bench in use whose cards answer over
// TCP, however late on a busy machine, and opens its page.
func onCards(t *testing.T, address string) (*program, *tab) {
	t.Helper()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Open(p.base + "/benches/rehearsal")
	evaluate[bool](b, `document.getElementById("copy-bench").open = true`)
	b.Fill("#copy-name", "On the desk")
	b.Fill("#copy-address", address)
	b.Submit(`form[action$="/copy"] button`)
	b.Fill("#bench-connections-0-timeout", "20 s")
	b.Submit("#save-bench")
	b.Open(p.base + "/benches")
	b.Submit("#use-on-the-desk")
	return p, b
}

// confirmAll ticks everything that a page asks for and goes on.
func (b *tab) confirmAll() {
	b.T.Helper()
	b.Do(chromedp.WaitVisible("#confirm-all"))
	n := evaluate[int](b, `document.querySelectorAll('#confirm-form input[type="checkbox"]').length`)
	for i := range n {
		b.Do(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelectorAll('#confirm-form input[type="checkbox"]')[%d].click()`, i)))
	}
	b.Submit("#confirm-all")
}

// Messages by hand: said before, decoded after, recalled by the arrow keys; the
// log of every byte follows, pauses and stays bounded.
func TestBrowserConsole(t *testing.T) {
	t.Parallel()
	p, b := onCards(t, emulatedCard(t, patience))
	b.Open(p.base + "/bench")
	b.views("bringup-bench")
	b.Open(p.base + "/bench/bring-up")
	b.Submit(`#console-part form[action="/bench/control"] button`)
	if !strings.HasSuffix(b.Address(), "/bench/bring-up#console") {
		t.Fatalf("taking control led to %s", b.Address())
	}
	b.send("*IDN?")
	b.Until(`document.querySelector("#said li .said-answer")?.textContent.includes("Rehearsal card,77")`)
	b.send("SOUR1:VOLT?;:OUTP1?")
	b.Until(`document.querySelectorAll("#said > li").length === 2 && document.querySelector("#said li").textContent.includes("0 V")`)
	b.Do(chromedp.Focus("#say-message"))
	b.key("ArrowUp", 2)
	if got := evaluate[string](b, `document.getElementById("say-message").value`); got != "*IDN?" {
		t.Errorf("two up recalls %q", got)
	}
	b.key("ArrowDown", 1)
	if got := evaluate[string](b, `document.getElementById("say-message").value`); got != "SOUR1:VOLT?;:OUTP1?" {
		t.Errorf("one down recalls %q", got)
	}
	b.Fill("#say-message", "SOUR1:VOLT 0.1")
	evaluate[bool](b, `document.getElementById("say-message").dispatchEvent(new Event("input", {bubbles: true}))`)
	b.Until(`document.querySelector("#say-means .does-more") && document.getElementById("say-means").textContent.includes("100 mV")`)
	evaluate[bool](b, `document.getElementById("codes-0").open = true`)
	b.Fill("#convert-code", "0xFFFE")
	evaluate[bool](b, `document.getElementById("convert-code").dispatchEvent(new Event("input", {bubbles: true}))`)
	b.Until(`document.getElementById("code-answer").textContent.includes("-2 = 0xFFFE")`)
	b.views("bringup")
	b.Allow("409")
	b.Click(`#say-form button[type=submit]`)
	b.Do(chromedp.WaitVisible("#confirm-all"))
	b.views("bringup-confirm")
	b.confirmAll()
	b.Until(`document.querySelectorAll("#said > li").length === 3`)
	if got := b.Text("#said li"); !strings.Contains(got, "SOUR1:VOLT 0.1") || !strings.Contains(got, "made safe afterwards") {
		t.Errorf("a message that sets something: %s", got)
	}
	b.Until(`document.querySelector("#log-rows").textContent.includes("VOLT 0.1")`)
	b.Click(`[data-log="hex"]`)
	b.Click(`[data-log="pause"]`)
	last := evaluate[string](b, `document.getElementById("byte-log").dataset.last`)
	b.send("*ESR?")
	b.Until(`document.querySelectorAll("#said > li").length === 4`)
	if got := evaluate[string](b, `document.getElementById("byte-log").dataset.last`); got != last {
		t.Error("a paused log goes on")
	}
	b.Click(`[data-log="pause"]`)
	b.Until(`Number(document.getElementById("byte-log").dataset.last) > ` + last)
	for range 70 {
		b.Do(chromedp.Evaluate[chromedp.Void](`fetch("/bench/bring-up/say", {method: "POST", body: new URLSearchParams({connection: "Cards", message: "*STB?", wait: "10 ms"})})`))
	}
	b.Until(`Number(document.getElementById("byte-log").dataset.last) > 600 || document.querySelectorAll("#log-rows > li").length >= 300`)
	if n := evaluate[int](b, `document.querySelectorAll("#log-rows > li").length`); n > 500 {
		t.Errorf("the log has %d rows", n)
	}
}

// send types a message and presses Enter.
func (b *tab) send(message string) {
	b.T.Helper()
	b.Fill("#say-message", message)
	b.Click(`#say-form button[type=submit]`)
}

// key presses a key on the element that has the focus.
func (b *tab) key(name string, times int) {
	b.T.Helper()
	for range times {
		evaluate[bool](b, fmt.Sprintf(`document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key: %q, bubbles: true, cancelable: true})), true`, name))
	}
}

// One measurement, a call at a time: what each does is said before, what came
// of it stands after; then a run under what was confirmed, with its traffic.
func TestBrowserSteps(t *testing.T) {
	t.Parallel()
	p, b := onCards(t, emulatedCard(t, patience))
	b.mapped()
	b.Open(p.base + "/bench/bring-up")
	b.Do(chromedp.WaitVisible("#step-measurement"))
	choice := evaluate[string](b, `[...document.querySelectorAll("#step-measurement option")].find((o) => o.value.startsWith("tarnel-6-quick:")).value`)
	b.Do(chromedp.SetValue("#step-measurement", choice))
	b.Allow("409")
	b.Submit("#step-start")
	b.Do(chromedp.WaitVisible("#confirm-socket"))
	b.views("bringup-confirm-seating")
	b.confirmAll()
	for n := 1; n <= 12; n++ {
		b.Until(fmt.Sprintf(`document.querySelector('#step-now input[name="n"][value="%d"]')`, n))
		if n == 6 {
			b.views("bringup-steps")
		}
		b.Click("#step-next")
		b.Until(fmt.Sprintf(`document.querySelector('#step-done li[value="%d"]')`, n))
	}
	if got := b.Text("#step-done"); !strings.Contains(got, "output on") || !strings.Contains(got, "on the wire") {
		t.Errorf("after twelve calls: %s", got)
	}
	b.Click("#make-safe")
	b.Until(`document.getElementById("step-now").textContent.includes("made safe by owner")`)
	b.Until(`!document.getElementById("step-next")`)

	b.Open(p.base + "/")
	run := b.startRun("tarnel-6-quick", "C-1")
	b.Until(runIs + `"done" || ` + runIs + `"failed" || ` + runIs + `"interrupted"`)
	b.Open(run)
	if got := b.Text("#record"); !strings.Contains(got, "Pin 1 of") || !strings.Contains(got, "Every byte") {
		t.Errorf("the run's record: %s", got)
	}
	b.Open(run + "/traffic")
	if got := b.Text("#traffic"); !strings.Contains(got, "Measures the channels together") && !strings.Contains(got, "Sets the range") {
		t.Errorf("the run's traffic: %.500s", got)
	}
	b.views("bringup-traffic")
}

var wholeCheck = flag.Bool("wholecheck", false, "TestBrowserCardCheck lets the check of a card come to its end")

// The check of an emulated card, its findings coming as they are found, and
// stopped by hand. All of it, which takes half a minute:
// go test ./server -run BrowserCardCheck -wholecheck
func TestBrowserCardCheck(t *testing.T) {
	t.Parallel()
	p, b := onCards(t, emulatedCard(t, 2*time.Second)) // the check waits its watchdog out
	b.Open(p.base + "/bench/check-cards")
	b.views("cardcheck")
	evaluate[bool](b, `[...document.querySelectorAll('#check-form input[type="checkbox"]')].map((box) => box.click()).length > 0`)
	b.Submit("#check-cards")
	b.Do(chromedp.WaitVisible("#stop-check"))
	b.Until(`document.querySelectorAll("[id^=check-group-] li").length > 3`)
	if !strings.Contains(b.Text("#bench-strip"), "check of the cards is at work") {
		t.Errorf("the head says %s", b.Text("#bench-strip"))
	}
	b.Shot("cardcheck-at-work")
	if !*wholeCheck {
		b.Click("#stop-check")
	}
	b.Until(`document.getElementById("check-summary").dataset.running === "false"`)
	got := b.Text("#check-summary")
	if ended := strings.Contains(got, "did not come to its end: it was stopped"); ended == *wholeCheck || !strings.Contains(got, "passed") || strings.Contains(got, "failed") {
		t.Errorf("the check of an emulated card: %s", got)
	}
	b.Until(`document.querySelector(".state-safe")`)
	evaluate[bool](b, `document.querySelector("details[id^=check-group-]").open = true`)
	b.views("cardcheck-done")
	b.Open(p.base + "/protocol")
	b.views("protocol")
	b.paper("protocol")
	b.Window("protocol-top")
}

// mapped gives the demonstration's inverter a pin map for the bench on the desk.
func (b *tab) mapped() {
	b.T.Helper()
	b.Do(chromedp.Evaluate[chromedp.Void](`window.mapped = false; (async () => {
		const got = await (await fetch("/api/v1/devices/tarnel-6/pinmaps/rehearsal")).json();
		got.body.bench = "on-the-desk";
		window.mapped = (await fetch("/api/v1/devices/tarnel-6/pinmaps/on-the-desk", {method: "PUT", headers: {"Content-Type": "application/json"}, body: JSON.stringify(got.body)})).ok;
	})()`))
	b.Until("window.mapped")
}

// The cable is pulled in the middle of a run: the run is interrupted, every
// page says that the state is unknown, why and what to do, until the card has
// confirmed that it is safe.
func TestBrowserCablePulled(t *testing.T) {
	t.Parallel()
	cable := newLine(t, strings.TrimPrefix(emulatedCard(t, patience), "tcp://"))
	p, b := onCards(t, "tcp://"+cable.address())
	p.offerEndless()
	b.mapped()
	b.Open(p.base + "/")
	b.Do(chromedp.WaitVisible("#start-procedure"), chromedp.SetValue("#start-procedure", endless))
	b.Fill("#start-serial", "P-1")
	b.Allow("409")
	b.Submit(`form[action="/runs"] button[type=submit]`)
	b.confirmAll()
	b.Until(`Number(document.getElementById("run-status").dataset.readings) > 0`)
	run := b.Address()
	cable.cut()
	b.Until(`!["running", "done"].includes(document.getElementById("run-status").dataset.status)`)
	if got := b.Text("#run-status"); !strings.Contains(got, "interrupted") {
		t.Errorf("the run: %s", got)
	}
	b.Open(run)
	for _, path := range []string{strings.TrimPrefix(run, p.base), "/bench", "/bench/bring-up"} {
		b.Open(p.base + path)
		if got := b.Text("#bench-unknown"); !strings.Contains(got, "Unknown, check the bench") || !strings.Contains(got, "Cards: ") {
			t.Errorf("%s says %q", path, got)
		}
	}
	b.views("bringup-unknown")
	cable.mend()
	b.Until(`document.getElementById("bench-unknown").hidden`)
	if got := b.Text("#bench-strip"); !strings.Contains(got, "safe") {
		t.Errorf("after the card came back: %s", got)
	}
}

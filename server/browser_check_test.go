package main

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// A warning is read, ticked by name and kept with the run; an error leaves
// nothing to start.
func TestBrowserCheck(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Open(p.base + "/procedures/tarnel-6-quick/check")
	if got := b.Text("#check-line"); !strings.Contains(got, "Nothing stands in its way") {
		t.Errorf("the demonstration's procedure: %q", got)
	}
	b.views("check")

	b.change(`m.settle.time = 1e-3; m.limits = {}`) // of the leakage, on the 1 µA range; nothing is held against limits
	b.Open(p.base + "/procedures/tarnel-6-quick")
	b.Fill("#start-serial", "HASTY-1")
	b.Allow("409")
	b.Submit(`form[action="/runs"] button[type=submit]`)
	if got := b.Text("main"); !strings.Contains(got, "Nothing was started") || !strings.Contains(got, "settle:leakage") {
		t.Fatalf("a start with a warning: %s", got)
	}
	b.views("check-ask")
	b.Click("#acknowledge-0")
	b.Submit(`form[action="/runs"] button[type=submit]`)
	if !strings.Contains(b.Address(), "/runs/") {
		t.Errorf("acknowledged, it led to %s", b.Address())
	}
	if got := b.Text("#record"); !strings.Contains(got, "settle:leakage") {
		t.Errorf("the run's record: %s", got)
	}

	b.Until(`!document.getElementById("rerun").closest("form").hidden`) // it has ended
	b.change(`m.settle.time = 30e-3; m.limits = {high: {low: -1e-10, high: 1e-10}}`)
	b.Open(p.base + "/procedures/tarnel-6-quick/check")
	if got := b.Text("main"); !strings.Contains(got, "keeps it from starting") || !strings.Contains(got, "Leakage high will be known to") {
		t.Errorf("limits of 0.1 nA on a range of 1 µA: %s", got)
	}
	if evaluate[bool](b, `document.querySelector("form[action='/runs']") !== null`) {
		t.Error("a procedure with an error can be started")
	}
	b.views("check-error")
}

// change edits the leakage of the quick procedure by the API.
func (b *tab) change(edit string) {
	b.T.Helper()
	b.Do(chromedp.Evaluate[chromedp.Void](`window.changed = false; (async () => {
		const at = "/api/v1/procedures/tarnel-6-quick";
		const got = await (await fetch(at)).json();
		const m = got.body.measurements.find((x) => x.kind === "leakage");
		` + edit + `;
		const put = await fetch(at, {method: "PUT", headers: {"Content-Type": "application/json", "If-Match": '"' + got.rev + '"'}, body: JSON.stringify(got.body)});
		window.changed = put.ok;
	})()`))
	b.Until("window.changed")
}

package main

import (
	"context"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
)

// A bench check, stage by stage: a step at work is seen as it goes on, what it
// found stands first with what to do, the part is put back, and the whole takes
// as many actions as the page says.
func TestBrowserBenchCheck(t *testing.T) {
	t.Parallel()
	goOn, atWork := make(chan struct{}), make(chan struct{}, 1)
	p := startProgramWith(t, "", options{Listen: "127.0.0.1:0", carryOut: func(ctx context.Context, rig check.Rig, step check.Step) (check.StepResult, error) {
		x := check.StepResult{Began: rig.Clock.Now(), Readings: 40, Took: 1, Findings: []check.Finding{}}
		if step == check.Empty {
			rig.Progress(7, 40)
			atWork <- struct{}{}
			select {
			case <-goOn:
			case <-ctx.Done():
				return x, ctx.Err()
			}
			x.Findings = append(x.Findings, check.Finding{Kind: check.EnableFloats, Fault: true, Mux: "1A/1-16", Paths: []bench.PathID{2},
				Said: "The enable of multiplexer 1A/1-16 seems to float.", Do: "Pull it to its inactive level.", Evidence: []string{"1A:2 conducts 12 kΩ"}})
			x.Paths = []check.PathValue{{Path: 1, Ohms: 4.5, U: 0.004}, {Path: 2, Ohms: 4.4, U: 0.004}}
		}
		x.Ended = rig.Clock.Now()
		return x, nil
	}})
	b := signedIn(t, p)
	b.Open(p.base + "/bench")
	evaluate[bool](b, `(document.getElementById("seat-model").value = [...document.querySelectorAll("#seat-model option")].find(o => o.textContent.startsWith("Check load")).value) !== ""`)
	b.Submit(`form[action="/bench/seat"] button.main`)

	b.Open(p.base + "/bench/check")
	b.views("bench-check")
	actions := 0
	start := func(stage string) {
		actions++
		b.Submit("#start-" + stage)
	}
	const idle = `document.body.dataset.ready === "live" && document.getElementById("bench-check-head").dataset.running === ""`
	start("empty")
	<-atWork
	b.Until(`document.querySelector("#check-step-empty progress")?.value === 7`)
	// A frame may have the head from just before the step began; the next one has not.
	b.Until(`["energised", "a check of the bench is at work"].every(words => document.getElementById("bench-strip").textContent.includes(words))`)
	b.views("bench-check-at-work")
	b.Click("#stop-check")
	b.Until(idle + ` && document.getElementById("check-step-empty").textContent.includes("Broken off: it was stopped")`)
	actions = 0 // once more from the beginning
	start("empty")
	<-atWork
	close(goOn)
	b.Until(idle + ` && document.getElementById("bench-check-head").dataset.verdict === "faulty"`)
	if got := b.Text("#check-step-empty"); !strings.Contains(got, "seems to float") || !strings.Contains(got, "Pull it to its inactive level.") {
		t.Errorf("what was found: %s", got)
	}
	start("shorting-plug")
	b.Until(idle + ` && document.querySelector("#check-step-plug .o-pass")`)
	if got := b.Text("#bench-strip"); !strings.Contains(got, "Shorting plug") {
		t.Errorf("in the socket: %s", got)
	}
	start("numbered-plug")
	b.Until(idle + ` && document.querySelector("#check-step-numbers .o-pass")`)
	if actions > 6 {
		t.Errorf("%d actions", actions)
	}
	b.views("bench-check-found")
	b.Submit("#seat-back")
	if got := b.Text("#bench-strip"); !strings.Contains(got, "Check load") {
		t.Errorf("put back: %s", got)
	}
	b.Submit("#end-check")
	if got := b.Text("main"); !strings.Contains(got, "Something spoils results") || !strings.Contains(got, "seems to float") {
		t.Errorf("the page of the check: %s", got)
	}
	b.views("bench-check-kept")
	evaluate[bool](b, `document.querySelectorAll("details").forEach(d => d.open = true), true`)
	b.Size(390, 900)
	b.Fits("a check with everything open at 390 px")
	b.paper("bench-check")
	b.Open(p.base)
	if got := b.Text(".home-check"); !strings.Contains(got, "faulty") {
		t.Errorf("the first page: %s", got)
	}
}

package routes

import (
	"context"
	"net/http"
	"net/url"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

const checksAt = "/benches/rehearsal/bench-check"

// measuring has steps of the bench check carried out by a function of the
// test's own, a minute each.
func (a *apiRig) measuring(f func(ctx context.Context, rig check.Rig, step check.Step) ([]check.Finding, error)) {
	a.server.Lab.CarryOut = func(ctx context.Context, rig check.Rig, step check.Step) (check.StepResult, error) {
		x := check.StepResult{Began: rig.Clock.Now(), Took: 12, Readings: 40, Findings: []check.Finding{},
			Paths:    []check.PathValue{{Path: 1, Ohms: 4.5123, U: 0.004}, {Path: 2, Ohms: 4.41, U: 0.004}, {Path: 193, Ohms: 4.02, U: 0.004}},
			Leakages: []check.ContactValue{{Contact: 1, Value: 50e-12, U: 2e-12}}, Contacts: []check.ContactValue{{Contact: 7, Value: 0.031, U: 0.004}},
			Channels: []check.Difference{{Channel: 2, Unit: "V", FullScale: 2, Gain: 0.005, MostGain: 0.0008, MostOff: 1e-3}}}
		_ = a.clock.CountingClock.Sleep(ctx, time.Minute)
		found, err := f(ctx, rig, step)
		x.Findings = append(x.Findings, found...)
		x.Ended = rig.Clock.Now()
		return x, err
	}
}

func findsNothing(context.Context, check.Rig, check.Step) ([]check.Finding, error) { return nil, nil }

func findsFloating(context.Context, check.Rig, check.Step) ([]check.Finding, error) {
	return []check.Finding{{Kind: check.EnableFloats, Fault: true, Said: "The enable of multiplexer 1A/1-16 seems to float.", Do: "Pull it to its inactive level.",
		Evidence: []string{"path 1A:2 conducts 12 kΩ"}, Mux: "1A/1-16", Paths: []bench.PathID{2}}}, nil
}

func (a *apiRig) checkNow() apiBenchCheckNow { return get[apiBenchCheckNow](a, checksAt) }

// stepEnds waits until no step of a bench check is at work.
func (a *apiRig) stepEnds() apiBenchCheckNow {
	for {
		if now := a.checkNow(); now.Running == "" {
			return now
		}
		runtime.Gosched()
	}
}

func (a *apiRig) step(body apiBenchCheckRequest) apiBenchCheckNow {
	a.t.Helper()
	read[apiBenchCheckNow](a, a.ask(store.Operator, "POST", checksAt, body), http.StatusAccepted)
	return a.stepEnds()
}

// benchCheck checks the bench through the API.
func (a *apiRig) benchCheck() {
	a.measuring(findsFloating)
	now := a.step(apiBenchCheckRequest{Steps: []check.Step{check.Empty, check.Channels}, Seat: true})
	if now.Open == nil || now.Open.Verdict != check.Faulty || len(now.Open.Done) != 2 ||
		!slices.Equal(now.Open.Skipped, []check.Step{check.Plug, check.Numbers}) || len(now.Open.Faults) != 2 || now.Open.Steps[1].Findings[0].Mux != "1A/1-16" {
		a.t.Errorf("%+v", now.Open)
	}
	ended := read[apiBenchCheck](a, a.ask(store.Operator, "POST", checksAt+"/end", nil), http.StatusOK)
	if ended.Ended.IsZero() || a.checkNow().Open != nil {
		a.t.Errorf("ended: %+v", ended)
	}
	a.answers(http.StatusNoContent, a.ask(store.Operator, "POST", checksAt+"/seat-back", nil))
	reached := make(chan struct{})
	a.measuring(func(ctx context.Context, rig check.Rig, _ check.Step) ([]check.Finding, error) {
		rig.Progress(3, 40)
		close(reached)
		<-ctx.Done()
		return nil, ctx.Err()
	})
	read[apiBenchCheckNow](a, a.ask(store.Operator, "POST", checksAt, apiBenchCheckRequest{Steps: []check.Step{check.Plug}}), http.StatusAccepted)
	<-reached
	if now := a.checkNow(); now.Running != check.Plug || now.Done != 3 || now.Of != 40 {
		a.t.Errorf("at work: %+v", now)
	}
	a.answers(http.StatusNoContent, a.ask(store.Operator, "POST", checksAt+"/stop", nil))
	if now := a.stepEnds(); now.Broken != check.Plug || now.Problem != "it was stopped" || now.Open != nil {
		a.t.Errorf("stopped: %+v", now)
	}
	list := get[apiList[apiBenchCheck]](a, checksAt+"s?limit=1")
	if len(list.Items) != 1 || list.Items[0].ID != ended.ID || list.Items[0].Steps != nil || list.Next != "" {
		a.t.Errorf("list: %+v", list)
	}
	if got := get[apiBenchCheck](a, "/bench-checks/"+ended.ID); len(got.Steps) != 2 || got.Identity == nil || got.Steps[0].Paths[0].Ohms != 4.5123 {
		a.t.Errorf("read: %+v", got)
	}
}

// TestBenchCheckRefusedByAPI: what the API refuses, and with what words.
func TestBenchCheckRefusedByAPI(t *testing.T) {
	a := newAPI(t)
	a.measuring(findsNothing)
	for body, want := range map[string]int{
		`{"steps": ["full"]}`: 422, `{"steps": []}`: 422, `{"steps": ["empty", "plug"]}`: 422, `{"steps": ["empty"], "seated": true}`: 422, `{"steps": "empty"}`: 422, `{`: 400,
	} {
		if out := a.ask(store.Operator, "POST", checksAt, body); out.status != want {
			t.Errorf("%s: %d %s", body, out.status, out.body)
		}
	}
	for address, want := range map[string]int{"/bench-checks/none": 404, "/benches/none/bench-check": 404, "/benches/none/bench-checks": 404, checksAt + "s?cursor=%27": 422, checksAt + "s?limit=0": 422} {
		if out := a.ask(store.Viewer, "GET", address, nil); out.status != want {
			t.Errorf("%s: %d %s", address, out.status, out.body)
		}
	}
	for _, what := range []string{"/end", "/seat-back"} {
		if out := a.ask(store.Operator, "POST", checksAt+what, nil); out.status != http.StatusConflict {
			t.Errorf("%s: %d %s", what, out.status, out.body)
		}
	}
	a.step(apiBenchCheckRequest{Steps: []check.Step{check.Empty}})
	storetest.Exec(t, a.store, "UPDATE bench_checks SET verdict = 'good'")
	list := get[apiList[apiBenchCheck]](a, checksAt+"s")
	if len(list.Items) != 1 || list.Items[0].Damaged == "" || list.Items[0].Verdict != "" {
		t.Errorf("a damaged check: %+v", list)
	}
	if out := a.ask(store.Viewer, "GET", "/bench-checks/"+list.Items[0].ID, nil); out.status != http.StatusInternalServerError || out.problem.Detail == "" {
		t.Errorf("read: %d %s", out.status, out.body)
	}
	for _, path := range []string{"/", "/bench", "/bench/check", "/bench/checks"} {
		if page := a.askPage(store.Viewer, "GET", path, nil); page.Code != http.StatusOK || !strings.Contains(page.Body.String(), "damaged") {
			t.Errorf("%s: %d", path, page.Code)
		}
	}
}

// has holds a page against the words that it must and must not have.
func (a *apiRig) has(role store.Role, path string, want []string, not ...string) {
	a.t.Helper()
	got := a.askPage(role, "GET", path, nil)
	page := got.Body.String()
	if got.Code != http.StatusOK {
		a.t.Fatalf("%s: %d", path, got.Code)
	}
	for _, w := range want {
		if !strings.Contains(page, w) {
			a.t.Errorf("%s lacks %s", path, w)
		}
	}
	for _, w := range not {
		if strings.Contains(page, w) {
			a.t.Errorf("%s has %s", path, w)
		}
	}
}

// TestBenchCheckPages: the guided page, what it found, the list and the page of
// one check.
func TestBenchCheckPages(t *testing.T) {
	a := newAPI(t)
	a.measuring(findsFloating)
	a.has(store.Operator, "/bench/check", []string{"nothing checked yet", `id="start-empty"`, "Start both steps", "Put it in the socket and start",
		"a poor contact adds its resistance", "has not been checked yet"}, `id="end-check"`)
	a.has(store.Viewer, "/bench/check", []string{"nothing checked yet"}, `id="start-empty"`)
	a.has(store.Viewer, "/", []string{"no check yet"})
	send := func(f url.Values, want int) string {
		t.Helper()
		w := a.askPage(store.Operator, "POST", "/bench/check", f)
		if w.Code != want {
			t.Fatalf("%v: %d %s", f, w.Code, w.Body)
		}
		a.stepEnds()
		return w.Header().Get("Location")
	}
	if to := send(url.Values{"steps": {"empty"}, "seat": {"1"}}, http.StatusSeeOther); to != "/bench/check#stage-empty" {
		t.Errorf("leads to %q", to)
	}
	a.has(store.Operator, "/bench/check", []string{`data-verdict="faulty"`, "1 fault found", "seems to float", "Pull it to its inactive level.", "1A:2 conducts 12 kΩ",
		"4.5123 Ω ± 0.0040 Ω", "1A/1-16", "50.0 pS ± 2.0 pS", `id="end-check"`, "Not done yet, so not known", `value="channels"`})
	id := a.checkNow().Open.ID
	a.has(store.Viewer, "/bench/checks/"+id, []string{"Something spoils results", "seems to float", "return:1", "0.50 %", "Not done, so not known"})
	a.has(store.Viewer, "/bench/checks", []string{"/bench/checks/" + id, "faulty", "1 of 4"})
	a.has(store.Viewer, "/", []string{"faulty, just now: The enable of multiplexer 1A/1-16 seems to float", "/bench/checks/" + id})
	a.has(store.Viewer, "/bench", []string{"seems to float"})
	send(url.Values{"steps": {"full"}}, http.StatusUnprocessableEntity)
	if w := a.askPage(store.Operator, "POST", "/bench/check/end", nil); w.Header().Get("Location") != "/bench/checks/"+id {
		t.Errorf("ended: %d, leads to %q", w.Code, w.Header().Get("Location"))
	}
	a.has(store.Operator, "/bench/check", []string{"It has ended: a further step begins a new one."}, `id="end-check"`)
	a.measuring(func(context.Context, check.Rig, check.Step) ([]check.Finding, error) {
		return []check.Finding{{Kind: check.OtherSocket, Fault: true, Said: "The shorting plug is not in the socket. Nothing was kept of this step.", Do: "Put it in."}}, nil
	})
	send(url.Values{"steps": {"plug"}}, http.StatusSeeOther)
	a.has(store.Operator, "/bench/check", []string{"The shorting plug is not in the socket. Nothing was kept of this step. Put it in."})
	if list := get[apiList[apiBenchCheck]](a, checksAt+"s"); len(list.Items) != 1 {
		t.Errorf("something else in the socket was kept: %+v", list.Items)
	}
}

// TestBenchCheckPageOnCards: what has to be in the socket is ticked beside the
// button, the cautions on the page that asks before power.
func TestBenchCheckPageOnCards(t *testing.T) {
	a, _ := newCardRig(t)
	a.measuring(findsNothing)
	a.has(store.Operator, "/bench/check", []string{`value="shorting-plug"`, "In the socket is the shorting plug", "at most six actions"}, `name="seat"`)
	w := a.askPage(store.Operator, "POST", "/bench/check", url.Values{"steps": {"plug"}, "confirm": {"shorting-plug"}})
	page := w.Body.String()
	if w.Code != http.StatusConflict || !strings.Contains(page, "Low-voltage DC only") || !strings.Contains(page, `name="steps" value="plug"`) || !strings.Contains(page, "In the socket is the shorting plug") {
		t.Fatalf("%d %s", w.Code, page)
	}
	if got := a.asked(t, a.ask(store.Operator, "POST", cardsAt+"bench-check", apiBenchCheckRequest{Steps: []check.Step{check.Numbers}})); !slices.Contains(got, "numbered-plug") {
		t.Errorf("asked for %v", got)
	}
	all := append(everyName()[:7:7], "shorting-plug")
	now := a.step(apiBenchCheckRequest{Steps: []check.Step{check.Plug}, Confirm: all})
	if now.Problem != "" || now.Open == nil || now.Open.Verdict != check.Partly {
		t.Errorf("%+v", now)
	}
}

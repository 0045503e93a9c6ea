package routes

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/a-h/templ"

	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/lab"
	"ohmkeep/store"
	"ohmkeep/web"
)

// checkConfirm is what a first check of cards confirms.
func checkConfirm() []string { return append(everyName()[:7:7], "empty") }

// TestCheckCards: a check is confirmed first, the socket being empty each time;
// while it is at work nothing starts and the bench does not pass for safe.
func TestCheckCards(t *testing.T) {
	a, f := newCardRig(t)
	goOn, reached := make(chan struct{}), make(chan struct{})
	f.check = func(ctx context.Context, _ string, found func(cardinfo.Finding)) error {
		found(cardinfo.Finding{Group: "Identity", Title: "*IDN? has four fields", Verdict: cardinfo.Pass})
		close(reached)
		select {
		case <-goOn:
		case <-ctx.Done():
			return ctx.Err()
		}
		found(cardinfo.Finding{Group: "Watchdog", Title: "outputs go off", Verdict: cardinfo.Fail, Expected: "off after 2 s", Came: "on after 3 s",
			Events: []cardinfo.Event{{N: 1, At: cardTime, Connection: "cards", Dir: cardinfo.Out, Bytes: []byte("OUTP1?\n")}, {N: 2, At: cardTime, Connection: "cards", Dir: cardinfo.In, Bytes: []byte("1\n")}}})
		found(cardinfo.Finding{Group: "Watchdog", Title: "paths open", Verdict: cardinfo.Skipped, Came: "there are no paths"})
		return nil
	}
	check := func(confirm ...string) *answer {
		return a.ask(store.Operator, "POST", cardsAt+"checks", apiCheckRequest{Connection: "cards", Confirm: confirm})
	}
	if got := a.asked(t, check()); !slices.Equal(got, checkConfirm()) {
		t.Errorf("asked for %v", got)
	}
	read[apiCardCheck](a, check(checkConfirm()...), http.StatusAccepted)
	<-reached
	if got := get[apiBench](a, "/benches/rehearsal"); got.State != bench.Energised || got.Reason != "a check of the cards is at work" {
		t.Errorf("at work, the bench is %s: %s", got.State, got.Reason)
	}
	if out := a.ask(store.Operator, "POST", "/runs", map[string]any{"device": "load", "procedure": "check", "confirm": everyName()}); out.status != http.StatusConflict {
		t.Errorf("a run beside it: %s", out.body)
	}
	if out := check("empty"); out.status != http.StatusConflict || len(out.problem.Confirm) > 0 {
		t.Errorf("a second check beside it: %s", out.body)
	}
	if page := a.askPage(store.Viewer, "GET", "/bench/check-cards", nil).Body.String(); !strings.Contains(page, "At work: 1 passed so far") || strings.Contains(page, `id="check-form"`) {
		t.Errorf("the page of a check at work")
	}
	close(goOn)
	a.checkEnds(t)
	c := a.cardCheck()
	if len(c.Findings) != 3 || c.Problem != "" || c.Ended.IsZero() || len(c.Findings[1].Events) != 2 || c.Findings[1].Events[1].Means[0] != "on" {
		t.Errorf("%+v", c)
	}
	page := a.askPage(store.Viewer, "GET", "/bench/check-cards", nil).Body.String()
	for _, want := range []string{"1 failed, 1 passed, 1 not carried out", "off after 2 s", "on after 3 s", `<span class="ctl">LF</span>`, "there are no paths"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %s", want)
		}
	}
	if now := a.server.Lab.InUse().Station.Snapshot(); now.State != bench.Safe {
		t.Errorf("afterwards %+v", now)
	}
	if got := a.asked(t, check()); !slices.Equal(got, []string{"empty"}) {
		t.Errorf("the second time asked for %v", got)
	}
	// The part was taken out for it.
	start := map[string]any{"device": "load", "procedure": "check"}
	if got := a.asked(t, a.ask(store.Operator, "POST", "/runs", start)); !slices.Contains(got, "seated") || !slices.Contains(got, "pin-1") {
		t.Errorf("after the check a run asks for %v", got)
	}
}

// TestCheckPageListsWhatIsDemanded: that the socket is empty each time.
func TestCheckPageListsWhatIsDemanded(t *testing.T) {
	a, f := newCardRig(t)
	f.check = func(context.Context, string, func(cardinfo.Finding)) error { return nil }
	b := a.signIn(t, store.Operator)
	form := url.Values{"connection": {"cards"}, "confirm": checkConfirm()}
	for range 2 {
		if page := b.get("/bench/check-cards"); !strings.Contains(page, `id="confirm-empty"`) {
			t.Fatal("the page does not list the empty socket")
		}
		b.post("/bench/check-cards", form, http.StatusSeeOther)
		a.checkEnds(t)
		form["confirm"] = []string{"empty"} // the rest stands
	}
	if page := b.get("/bench/check-cards"); strings.Contains(page, `id="confirm-esd"`) {
		t.Error("the page lists what is not demanded")
	}
}

// TestCheckPageAfterAStateNobodyDrew: a page that was drawn while a check was at
// work, of which no frame saw anything, is told how it ended, even where that looks
// as the check before it did: each part says which check it is of.
func TestCheckPageAfterAStateNobodyDrew(t *testing.T) {
	a, f := newCardRig(t)
	f.check = func(_ context.Context, _ string, found func(cardinfo.Finding)) error {
		found(cardinfo.Finding{Group: "Identity", Title: "*IDN? has four fields", Verdict: cardinfo.Pass})
		return nil
	}
	b := a.signIn(t, store.Operator)
	form := url.Values{"connection": {"cards"}, "confirm": checkConfirm()}
	drawn := map[string]bool{}
	for range 2 {
		b.post("/bench/check-cards", form, http.StatusSeeOther)
		a.checkEnds(t)
		form["confirm"] = []string{"empty"}
		check, _ := a.server.Lab.InUse().CardCheck()
		c := a.server.checkView(&check)
		for name, part := range map[string]templ.Component{"stop": web.CheckStop(c), "summary": web.CheckSummary(c), "group": web.CheckGroupPart(c.Groups()[0])} {
			var html strings.Builder
			if err := part.Render(t.Context(), &html); err != nil {
				t.Fatal(err)
			}
			if drawn[html.String()] {
				t.Errorf("the %s of the second check is drawn as that of the first", name)
			}
			drawn[html.String()] = true
		}
	}
}

// TestCheckEndsEarly: made safe, stopped or broken off, the check ends, says
// why, and the bench is safe.
func TestCheckEndsEarly(t *testing.T) {
	for name, c := range map[string]struct {
		end  func(a *apiRig, b *browserOf)
		says string
	}{
		"made safe": {func(_ *apiRig, b *browserOf) { b.post("/bench/safe", nil, http.StatusSeeOther) }, "made safe by operator"},
		"stopped":   {func(_ *apiRig, b *browserOf) { b.post("/bench/check-cards/stop", nil, http.StatusSeeOther) }, "stopped"},
	} {
		t.Run(name, func(t *testing.T) {
			a, f := newCardRig(t)
			b, reached := a.signIn(t, store.Operator), make(chan struct{})
			f.check = func(ctx context.Context, _ string, _ func(cardinfo.Finding)) error {
				close(reached)
				<-ctx.Done()
				return ctx.Err()
			}
			b.post("/bench/check-cards", url.Values{"connection": {"cards"}, "confirm": checkConfirm()}, http.StatusSeeOther)
			<-reached
			c.end(a, b)
			a.checkEnds(t)
			if got := a.cardCheck(); !strings.Contains(got.Problem, c.says) {
				t.Errorf("it says %q", got.Problem)
			}
			if now := a.server.Lab.InUse().Station.Snapshot(); now.State != bench.Safe {
				t.Errorf("afterwards %+v", now)
			}
		})
	}
	a, f := newCardRig(t)
	f.check = func(context.Context, string, func(cardinfo.Finding)) error { return errors.New("the line broke") }
	read[apiCardCheck](a, a.ask(store.Operator, "POST", cardsAt+"checks", apiCheckRequest{Confirm: checkConfirm()}), http.StatusAccepted)
	a.checkEnds(t)
	if got := a.cardCheck(); got.Problem != "the line broke" {
		t.Errorf("%+v", got)
	}
}

// TestCheckIsBounded: a card that is checked without end fills no memory.
func TestCheckIsBounded(t *testing.T) {
	a, f := newCardRig(t)
	event := cardinfo.Event{N: 1, At: cardTime, Connection: "cards", Dir: cardinfo.In, Bytes: []byte("1\n")}
	f.check = func(_ context.Context, _ string, found func(cardinfo.Finding)) error {
		for i := range lab.KeptFindings + 50 {
			verdict, events := cardinfo.Pass, 8
			if i == lab.KeptFindings-1 {
				verdict, events = cardinfo.Fail, 500
			}
			found(cardinfo.Finding{Group: fmt.Sprintf("Group %d", i%60), Title: "again", Verdict: verdict, Events: slices.Repeat([]cardinfo.Event{event}, events)})
		}
		return nil
	}
	read[apiCardCheck](a, a.ask(store.Operator, "POST", cardsAt+"checks", apiCheckRequest{Confirm: checkConfirm()}), http.StatusAccepted)
	a.checkEnds(t)
	c, rows := a.cardCheck(), 0
	for _, f := range c.Findings {
		rows += len(f.Events)
	}
	if len(c.Findings) != lab.KeptFindings || c.Dropped != 50 || len(c.Findings[lab.KeptFindings-1].Events) != lab.KeptEvents || rows > lab.KeptEventsAll+lab.KeptEvents {
		t.Errorf("%d findings, %d dropped, %d events", len(c.Findings), c.Dropped, rows)
	}
	page := a.askPage(store.Viewer, "GET", "/bench/check-cards", nil)
	if n := page.Body.Len(); page.Code != http.StatusOK || n > 8<<20 {
		t.Errorf("the page: %d, %d bytes", page.Code, n)
	}
}

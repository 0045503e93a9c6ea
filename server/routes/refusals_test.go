package routes

import (
	"context"
	"html"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"ohmkeep/server/lab"
	"ohmkeep/store"
)

// TestRefusalsAreTheSame asks for the same thing by a page's form and by the
// API: both call the same action, so both refuse with the same status and the
// same words.
func TestRefusalsAreTheSame(t *testing.T) {
	start := url.Values{"procedure": {"check"}, "serial": {"S1"}}
	startBody := map[string]any{"device": "load", "procedure": "check", "serial": "S1"}
	seat := url.Values{"model": {"model:check-load"}, "serial": {"S2"}}
	seatBody := map[string]any{"model": "check-load", "serial": "S2"}
	ohms := url.Values{"device": {"load"}, "do": {"ohm"}, "pin": {"1"}, "against": {"2"}, "method": {"two-wire"},
		"current": {"1 mA"}, "compliance": {"5 V"}, "cycles": {"1"}}
	ohmsBody := map[string]any{"device": "load", "measurement": loadProcedure().Measurements[0]}
	other := lab.Person{Name: "Boole", Role: store.Operator, Session: "session of Boole"}
	held := func(a *apiRig) { must(a.t, a.server.Lab.TakeControl(a.t.Context(), a.server.Lab.InUse(), other)) }
	lost := func(a *apiRig) { a.server.Lab.InUse().Station.Lost("no answer") }
	busy := func(a *apiRig) {
		a.clock.shut()
		read[apiStarted](a, a.ask(store.Operator, "POST", "/runs", map[string]any{"device": "load", "procedure": "check", "seat": true}), http.StatusCreated)
		<-a.clock.reached
	}
	real := func(a *apiRig) { b := a.server.Lab.InUse(); b.Cards, b.Rehearse = newFakeCards(), nil }
	for name, tc := range map[string]struct {
		before       func(*apiRig)
		page         string
		form         url.Values
		method, call string
		body         any
		status       int
		words        string
	}{
		"start while held":        {held, "/runs", start, "POST", "/runs", startBody, 409, "Boole holds control"},
		"start while busy":        {busy, "/runs", start, "POST", "/runs", startBody, 409, "a run is at work"},
		"start while unknown":     {lost, "/runs", start, "POST", "/runs", startBody, 409, "no answer"},
		"start unconfirmed":       {real, "/runs", start, "POST", "/runs", startBody, 409, ""},
		"start without procedure": {nil, "/runs", url.Values{"procedure": {"none"}}, "POST", "/runs", map[string]any{"device": "", "procedure": "none"}, 422, "choose a device"},
		"start with a bad serial": {nil, "/runs", url.Values{"procedure": {"check"}, "serial": {"a\tb"}}, "POST", "/runs", map[string]any{"device": "load", "procedure": "check", "serial": "a\tb"}, 422, "one line of plain text"},
		"seat while held":         {held, "/bench/seat", seat, "PUT", "/benches/rehearsal/seating", seatBody, 409, "Boole holds control"},
		"seat while busy":         {busy, "/bench/seat", seat, "PUT", "/benches/rehearsal/seating", seatBody, 409, "a run is at work"},
		"seat on a real bench":    {real, "/bench/seat", seat, "PUT", "/benches/rehearsal/seating", seatBody, 409, "seated by hand"},
		"measure while held":      {held, "/manual/measure", ohms, "POST", "/manual", ohmsBody, 409, "Boole holds control"},
		"measure while busy":      {busy, "/manual/measure", ohms, "POST", "/manual", ohmsBody, 409, "a run is at work"},
		"measure while unknown":   {lost, "/manual/measure", ohms, "POST", "/manual", ohmsBody, 409, "no answer"},
		"keep nothing":            {nil, "/manual/keep", url.Values{"serial": {"S1"}}, "POST", "/manual/keep", map[string]any{"serial": "S1"}, 409, "Nothing has been measured"},
		"control while held":      {held, "/bench/control", url.Values{"do": {"take"}}, "PUT", "/benches/rehearsal/control", nil, 409, "Boole holds control"},
		"use without control":     {nil, "/benches/rehearsal/use", nil, "POST", "/benches/rehearsal/use", nil, 409, "Take control"},
		"use while busy":          {busy, "/benches/rehearsal/use", nil, "POST", "/benches/rehearsal/use", nil, 409, "a run is at work"},
		"check without cards":     {nil, "/bench/check-cards", nil, "POST", "/benches/rehearsal/checks", map[string]any{}, 409, "no card"},
		"message without cards":   {nil, "/bench/bring-up/say", url.Values{"connection": {"cards"}, "message": {"*IDN?"}, "wait": {"0.3 s"}}, "POST", "/benches/rehearsal/messages", map[string]any{"connection": "cards", "message": "*IDN?"}, 409, "no card"},
		"stop of no run":          {nil, "/runs/none/stop", nil, "POST", "/runs/none/stop", nil, 404, ""},
		"rerun of no run":         {nil, "/runs/none/rerun", nil, "POST", "/runs/none/rerun", nil, 404, ""},
	} {
		t.Run(name, func(t *testing.T) {
			a := newAPI(t)
			if tc.before != nil {
				tc.before(a)
			}
			before := a.server.Lab.InUse().Station.Snapshot()
			api := a.ask(store.Operator, tc.method, tc.call, tc.body)
			page := a.askPage(store.Operator, "POST", tc.page, tc.form)
			if api.status != tc.status || page.Code != tc.status {
				t.Errorf("the API answers %d, the page %d; want %d", api.status, page.Code, tc.status)
			}
			text := strings.ToLower(html.UnescapeString(page.Body.String()))
			for _, words := range []string{api.problem.Detail, tc.words} {
				for _, f := range api.problem.Fields { // beside the field on the page
					words = strings.TrimPrefix(words, f.Field+": ")
				}
				if len(api.problem.Confirm) == 0 && !strings.Contains(text, strings.ToLower(strings.TrimSuffix(words, "."))) {
					t.Errorf("the page does not say %q", words)
				}
			}
			for _, item := range api.problem.Confirm {
				if !strings.Contains(text, strings.ToLower(item.Text)) {
					t.Errorf("the page does not ask for %q", item.Text)
				}
			}
			if tc.status == http.StatusConflict && name == "start unconfirmed" && len(api.problem.Confirm) < 9 {
				t.Errorf("the API asks for %v", api.problem.Confirm)
			}
			if now := a.server.Lab.InUse().Station.Snapshot(); now != before {
				t.Errorf("what was refused has changed %+v to %+v", before, now)
			}
		})
	}
}

// TestErrorPageOfWhoHasGone: the page that says what is wrong is drawn whether its
// reader is still there or not, and that one has gone is no error of the server.
func TestErrorPageOfWhoHasGone(t *testing.T) {
	a := newAPI(t)
	var log strings.Builder
	a.server.Log = slog.New(slog.NewTextHandler(&log, nil))
	ctx, gone := context.WithCancel(t.Context())
	gone()
	w := httptest.NewRecorder()
	a.server.failPage(w, httptest.NewRequestWithContext(ctx, http.MethodGet, "/runs/x", nil), &Problem{Status: http.StatusNotFound, Title: "Not Found", Detail: "there is no run x"})
	if w.Code != http.StatusNotFound || !strings.Contains(w.Body.String(), "There is no run x") || log.Len() > 0 {
		t.Errorf("%d %s\nthe log: %s", w.Code, w.Body, log.String())
	}
}

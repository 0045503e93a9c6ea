package routes

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/cardinfo"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

const cardsAt = "/benches/rehearsal/"

// TestRehearsalBenchHasNoCards: the pages say so and offer what makes sense
// without one.
func TestRehearsalBenchHasNoCards(t *testing.T) {
	a := newAPI(t)
	for path, want := range map[string]string{
		"/bench/bring-up": "Converter codes", "/bench/check-cards": "nothing to check", "/protocol": "[SOURce&lt;n&gt;]:VOLTage", "/bench": "no card behind this bench",
	} {
		w := a.askPage(store.Viewer, "GET", path, nil)
		if body := w.Body.String(); w.Code != http.StatusOK || !strings.Contains(body, want) || strings.Contains(body, `action="/bench/bring-up/say"`) {
			t.Errorf("%s: %d %.300s", path, w.Code, body)
		}
	}
	for _, out := range []*answer{
		a.ask(store.Operator, "POST", cardsAt+"messages", `{"connection":"cards","message":"*IDN?"}`),
		a.ask(store.Operator, "POST", cardsAt+"checks", `{"confirm":["empty"]}`),
	} {
		if out.status != http.StatusConflict || !strings.Contains(out.problem.Detail, "no card") {
			t.Errorf("%d %s", out.status, out.body)
		}
	}
	if w := a.askPage(store.Viewer, "GET", "/bench/bring-up/log", nil); w.Code != http.StatusConflict {
		t.Errorf("the log of no card: %d", w.Code)
	}
}

// TestSay: whoever sends holds control; asking changes nothing, anything else
// is confirmed first and leaves the bench safe.
func TestSay(t *testing.T) {
	a, f := newCardRig(t)
	say := func(message string, confirm ...string) *answer {
		return a.ask(store.Operator, "POST", cardsAt+"messages", apiMessage{Connection: "cards", Message: message, Wait: 0.05, Confirm: confirm})
	}
	if out := say("*IDN?"); out.status != http.StatusConflict || !strings.Contains(out.problem.Detail, "control") {
		t.Errorf("without control: %s", out.body)
	}
	a.ask(store.Operator, "PUT", cardsAt+"control", nil)
	f.answers["OUTP1 ON"] = ""
	if x := read[apiExchange](a, say("*IDN?"), http.StatusOK); x.MadeSafe || len(x.Answers) != 1 || !strings.Contains(strings.Join(x.Means, " "), "serial 7") {
		t.Errorf("asking: %+v", x)
	}
	if got := a.asked(t, say("OUTP1 ON")); !slices.Equal(got, everyName()[:7]) {
		t.Errorf("asked for %v", got)
	}
	if len(f.said) != 1 {
		t.Errorf("a message was sent that was refused: %v", f.said)
	}
	if x := read[apiExchange](a, say("OUTP1 ON", everyName()[:7]...), http.StatusOK); !x.MadeSafe || x.Problem != "" {
		t.Errorf("switching: %+v", x)
	}
	if x := read[apiExchange](a, say("NONSENSE"), http.StatusOK); !x.MadeSafe || len(x.Errors) != 1 {
		t.Errorf("nonsense: %+v", x)
	}
	for _, bad := range []struct {
		m     apiMessage
		field string
	}{
		{apiMessage{Connection: "none", Message: "*IDN?"}, "connection"}, {apiMessage{Connection: "cards"}, "message"},
		{apiMessage{Connection: "cards", Message: "*IDN?\nOUTP1 ON"}, "message"}, {apiMessage{Connection: "cards", Message: "*IDN?", Wait: 11}, "wait"},
		{apiMessage{Connection: "cards", Message: "*IDN?", Wait: -1}, "wait"}, {apiMessage{Connection: "cards", Message: "*IDN?", Wait: 1e300}, "wait"},
	} {
		if out := a.ask(store.Operator, "POST", cardsAt+"messages", bad.m); out.status != 422 || out.problem.Fields[0].Field != bad.field {
			t.Errorf("%+v: %s", bad.m, out.body)
		}
	}
	if out := a.ask(store.Owner, "POST", cardsAt+"messages", apiMessage{Connection: "cards", Message: "*IDN?"}); out.status != http.StatusConflict {
		t.Errorf("somebody else: %s", out.body)
	}
	said := len(f.said)
	a.hang(map[string]any{"confirm": everyName()})
	if out := say("*IDN?"); out.status != http.StatusConflict || len(f.said) != said {
		t.Errorf("while a run is at work: %s", out.body)
	}
	a.clock.open()
	a.wait()
}

// TestBringUpPage: what was sent by hand, the log and the small converter are
// on the page; refused entries come back.
func TestBringUpPage(t *testing.T) {
	a, f := newCardRig(t)
	b := a.signIn(t, store.Operator)
	b.post("/bench/control", url.Values{"do": {"take"}, "to": {"/bench/bring-up#console"}}, http.StatusSeeOther)
	form := url.Values{"connection": {"cards"}, "message": {"READ? (@1)"}, "wait": {"50 ms"}}
	b.post("/bench/bring-up/say", form, http.StatusSeeOther)
	page := b.get("/bench/bring-up?range=1.force-v.0&code=-1")
	for _, want := range []string{"READ? (@1)", "1.25 V, −2.5 mA", "at its limit, output on", `<span class="ctl">LF</span>`, "tcp://card.example:5025", "-1 = 0xFFFF"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %s", want)
		}
	}
	form.Set("wait", "soon")
	if page := b.post("/bench/bring-up/say", form, http.StatusUnprocessableEntity); !strings.Contains(page, `value="READ? (@1)"`) || !strings.Contains(page, "say-wait-error") {
		t.Errorf("a bad wait: %.500s", page)
	}
	form.Set("wait", "50 ms")
	form.Set("message", "OUTP1 ON")
	if page := b.post("/bench/bring-up/say", form, http.StatusConflict); !strings.Contains(page, `name="message" value="OUTP1 ON"`) || strings.Contains(page, "confirm-seated") {
		t.Errorf("what is to be confirmed: %.500s", page)
	}
	f.mu.Lock()
	for range 700 {
		f.add(cardinfo.In, "noise")
	}
	f.mu.Unlock()
	w := b.ask("GET", "/bench/bring-up/log?after=2", nil)
	if n := strings.Count(w.Body.String(), "<li"); n != logMost || w.Header().Get("Ohmkeep-Last") != strconv.Itoa(len(f.events)) {
		t.Errorf("%d rows up to %s", n, w.Header().Get("Ohmkeep-Last"))
	}
	if w := b.ask("GET", "/bench/bring-up/log?after=100000", nil); !strings.Contains(w.Body.String(), "<li") {
		t.Error("a number from another life of the bench brings nothing")
	}
	for query, want := range map[string]string{"range=1.force-v.0&value=0": `"hex":"0x0000"`, "range=1.force-v.0&code=x": `"error"`, "range=x&code=1": `"error"`, "": "{}"} {
		if got := b.get("/bench/bring-up/code?" + query); !strings.Contains(got, want) {
			t.Errorf("%s: %s", query, got)
		}
	}
	if got := b.get("/bench/bring-up/meaning?message=OUTP1+ON"); !strings.Contains(got, `"asks":false`) || !strings.Contains(got, "channel 1: on") {
		t.Errorf("meaning: %s", got)
	}
}

// browserOf is one signed-in browser.
type browserOf struct {
	a       *apiRig
	t       *testing.T
	session string
}

func (a *apiRig) signIn(t *testing.T, role store.Role) *browserOf {
	t.Helper()
	secret, err := a.store.NewSession(t.Context(), role, role.String(), time.Hour)
	must(t, err)
	return &browserOf{a, t, secret}
}

func (b *browserOf) ask(method, address string, form url.Values) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, address, strings.NewReader(form.Encode()))
	r.Host = "localhost"
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.AddCookie(&http.Cookie{Name: sessionCookie, Value: b.session})
	w := httptest.NewRecorder()
	b.a.http.ServeHTTP(w, r)
	return w
}

func (b *browserOf) get(address string) string {
	b.t.Helper()
	w := b.ask("GET", address, nil)
	if w.Code != http.StatusOK {
		b.t.Fatalf("%s: %d %s", address, w.Code, w.Body)
	}
	return w.Body.String()
}

func (b *browserOf) post(address string, form url.Values, status int) string {
	b.t.Helper()
	w := b.ask("POST", address, form)
	if w.Code != status {
		b.t.Fatalf("%s: %d, want %d: %.600s", address, w.Code, status, w.Body)
	}
	return w.Body.String()
}

// TestStepThrough: each call waits until it is let through, is said before and
// has its raw exchange after; the next run does not wait for anybody.
func TestStepThrough(t *testing.T) {
	a, f := newCardRig(t)
	b := a.signIn(t, store.Operator)
	form := url.Values{"measurement": {"check:0"}}
	if page := b.post("/bench/bring-up/step", form, http.StatusConflict); !strings.Contains(page, "confirm-pin-1") || !strings.Contains(page, "confirm-socket") || !strings.Contains(page, `value="check:0"`) {
		t.Fatalf("what is to be confirmed: %.800s", page)
	}
	form["confirm"] = everyName()
	b.post("/bench/bring-up/step", form, http.StatusSeeOther)
	b.post("/bench/bring-up/step", form, http.StatusConflict) // one at a time
	stepper, station := a.server.Lab.InUse().Stepper, a.server.Lab.InUse().Station
	words := ""
	for n := 1; station.Snapshot().Run != ""; n++ {
		if !waits(t, a, n) {
			break
		}
		page := b.get("/bench/bring-up")
		pending, _ := stepper.Pending()
		say := pending.Words(&a.server.Lab.InUse().Definition)
		if !strings.Contains(page, say) || !strings.Contains(page, `name="n" value="`+strconv.Itoa(n)+`" form="step-form"`) {
			t.Fatalf("call %d is not said: %s", n, say)
		}
		words += say + "\n"
		f.mu.Lock()
		f.add(cardinfo.Out, "CALL "+strconv.Itoa(n)+"\n")
		f.mu.Unlock()
		if n == 2 {
			b.post("/bench/bring-up/step/next", url.Values{"n": {"1"}}, http.StatusSeeOther) // a late click
			if again, _ := stepper.Pending(); again.N != 2 {
				t.Fatalf("a late click let call %d through", again.N)
			}
		}
		b.post("/bench/bring-up/step/next", url.Values{"n": {strconv.Itoa(n)}}, http.StatusSeeOther)
	}
	a.wait()
	page := b.get("/bench/bring-up")
	values := strings.Count(page, `class="step-value"`)
	for _, want := range []string{"Close exactly these paths", "force", "output on", "Read channel"} {
		if !strings.Contains(words, want) {
			t.Errorf("no call was said to %q: %s", want, words)
		}
	}
	if values == 0 || !strings.Contains(page, "It has ended: done") {
		t.Errorf("%d readings; %.300s", values, page[strings.Index(page, "step-now"):])
	}
	b.post("/bench/control", url.Values{"do": {"release"}}, http.StatusSeeOther)
	id := a.start(map[string]any{"confirm": everyName()})
	a.wait()
	if rec := get[procedure.Record](a, "/runs/"+id); rec.Status != procedure.Done {
		t.Errorf("the run after it: %s %s", rec.Status, rec.Reason)
	}
}

// waits waits until call n waits, or the run has ended.
func waits(t *testing.T, a *apiRig, n int) bool {
	t.Helper()
	look := time.NewTicker(time.Millisecond)
	defer look.Stop()
	for ; ; <-look.C {
		if p, ok := a.server.Lab.InUse().Stepper.Pending(); ok && p.N == n {
			return true
		}
		if a.server.Lab.InUse().Station.Snapshot().Run == "" {
			return false
		}
	}
}

// TestStepTakenOver: control stays while a measurement is stepped through; where
// its holder has signed out, whoever follows lets nothing through before they
// have confirmed as for a start.
func TestStepTakenOver(t *testing.T) {
	a, _ := newCardRig(t)
	b, owner := a.signIn(t, store.Operator), a.signIn(t, store.Owner)
	const take = ">Take control<"
	if !strings.Contains(owner.get("/bench/bring-up"), take) {
		t.Error("control is not offered")
	}
	b.post("/bench/bring-up/step", url.Values{"measurement": {"check:0"}, "confirm": everyName()}, http.StatusSeeOther)
	waits(t, a, 1)
	if strings.Contains(owner.get("/bench/bring-up"), take) {
		t.Error("control is offered while a run is at work")
	}
	owner.post("/bench/control", url.Values{"do": {"take"}}, http.StatusConflict)
	b.post("/bench/control", url.Values{"do": {"release"}}, http.StatusConflict)
	a.server.Lab.SignedOut(a.server.Lab.InUse().Station.Snapshot().Session)
	next := url.Values{"n": {"1"}}
	if page := owner.post("/bench/bring-up/step/next", next, http.StatusConflict); !strings.Contains(page, "confirm-pin-1") || !strings.Contains(page, `name="n" value="1"`) {
		t.Errorf("what is to be confirmed: %.800s", page)
	}
	b.post("/bench/bring-up/step/next", next, http.StatusConflict) // holds nothing any more
	if p, _ := a.server.Lab.InUse().Stepper.Pending(); p.N != 1 {
		t.Fatalf("call %d waits", p.N)
	}
	next["confirm"] = everyName()
	owner.post("/bench/bring-up/step/next", next, http.StatusSeeOther)
	if !waits(t, a, 2) {
		t.Error("confirmed, the call was not let through")
	}
	if now := a.server.Lab.InUse().Station.Snapshot(); now.Holder != "owner" {
		t.Errorf("whoever confirmed does not hold control: %+v", now)
	}
	b.post("/bench/bring-up/step/next", url.Values{"n": {"2"}, "confirm": everyName()}, http.StatusConflict)
	if p, _ := a.server.Lab.InUse().Stepper.Pending(); p.N != 2 {
		t.Errorf("call %d waits: somebody without control let one through", p.N)
	}
	owner.post("/bench/safe", nil, http.StatusSeeOther)
	a.wait()
}

// TestStepMadeSafe: making safe ends what is stepped through at any moment.
func TestStepMadeSafe(t *testing.T) {
	a, _ := newCardRig(t)
	b := a.signIn(t, store.Operator)
	b.post("/bench/bring-up/step", url.Values{"measurement": {"check:1"}, "confirm": everyName()}, http.StatusSeeOther)
	waits(t, a, 1)
	b.post("/bench/safe", nil, http.StatusSeeOther)
	a.wait()
	if page := b.get("/bench/bring-up"); !strings.Contains(page, "made safe by operator") || strings.Contains(page, `id="step-next"`) {
		t.Errorf("%.400s", page[strings.Index(page, "step-now"):])
	}
}

// TestUnknownIsSaid: on every page, with why and what to do, until the bench
// has been made safe.
func TestUnknownIsSaid(t *testing.T) {
	a, f := newCardRig(t)
	b := a.signIn(t, store.Operator)
	id := a.start(map[string]any{"confirm": everyName()})
	a.wait()
	f.set(cardinfo.Health{Connection: "cards", Condition: cardinfo.Lost, Reason: "the line is silent", Remedy: "Look at the cable."})
	a.server.Lab.InUse().Station.Lost("cards: the line is silent")
	for _, path := range []string{"/", "/bench", "/bench/bring-up", "/runs/" + id, "/manual"} {
		page := b.get(path)
		for _, want := range []string{"Unknown, check the bench.", "the line is silent", "cards: Look at the cable.", "unknown, check the bench"} {
			if !strings.Contains(page, want) {
				t.Errorf("%s does not say %q", path, want)
			}
		}
	}
	f.set(cardinfo.Health{Connection: "cards", Condition: cardinfo.Ready})
	b.post("/bench/safe", nil, http.StatusSeeOther)
	if page := b.get("/bench"); strings.Contains(page, "Unknown, check") {
		t.Error("it is still said after the bench was made safe")
	}
}

// TestRunTraffic: a page of it at a time, decoded, with what was not kept.
func TestRunTraffic(t *testing.T) {
	a, f := newCardRig(t)
	b := a.signIn(t, store.Operator)
	id := a.start(map[string]any{"confirm": everyName()})
	a.wait()
	if strings.Contains(b.get("/runs/"+id), "/traffic") || b.ask("GET", "/runs/"+id+"/traffic", nil).Code != http.StatusNotFound {
		t.Error("a run without traffic offers some")
	}
	f.mu.Lock()
	for range 150 {
		f.add(cardinfo.Out, "*IDN?\n")
		f.add(cardinfo.In, "A,B,1,2\n")
	}
	f.mu.Unlock()
	must(t, a.store.SaveTraffic(t.Context(), id, cardinfo.Traffic{Events: f.events, Dropped: 12}))
	page := b.get("/runs/" + id + "/traffic")
	for _, want := range []string{"1 to 200 of 300", "12 events were not kept", "from=200", "maker A, model B"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %s", want)
		}
	}
	if page := b.get("/runs/" + id + "/traffic?from=200"); !strings.Contains(page, "201 to 300 of 300") || strings.Contains(page, "Later events") {
		t.Error("the second page")
	}
	if text := b.get("/runs/" + id + "/traffic.txt"); strings.Count(text, "\n") != 302 || !strings.Contains(text, "*IDN?<LF>\t# Says who the card is") {
		t.Errorf("%d lines: %.300s", strings.Count(text, "\n"), text)
	}
	run := b.get("/runs/" + id)
	for _, want := range []string{"/runs/" + id + "/traffic", "Confirmed before power", "Pin 1 of Known load"} {
		if !strings.Contains(run, want) {
			t.Errorf("the run's page lacks %s", want)
		}
	}
	secret, _, err := a.store.NewShare(t.Context(), id, "test", time.Time{})
	must(t, err)
	if shared := a.askPage(store.Nobody, "GET", "/s/"+secret, nil).Body.String(); strings.Contains(shared, "/traffic") {
		t.Error("a shared run leads to its traffic")
	}
}

package routes

import (
	"context"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/form"
	"ohmkeep/server/lab"
	"ohmkeep/store"
)

// person is one browser session.
type person struct {
	a      *apiRig
	cookie *http.Cookie
}

func (a *apiRig) person(role store.Role) person {
	a.t.Helper()
	secret, err := a.store.NewSession(a.t.Context(), role, role.String(), time.Hour)
	must(a.t, err)
	return person{a, &http.Cookie{Name: sessionCookie, Value: secret}}
}

func (p person) post(address string, form url.Values) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", address, strings.NewReader(form.Encode()))
	r.Host = "localhost"
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.AddCookie(p.cookie)
	w := httptest.NewRecorder()
	p.a.http.ServeHTTP(w, r)
	return w
}

// deskInUse is the bench on the desk in use by an operator who holds control,
// and its cards.
func deskInUse(t *testing.T) (*apiRig, person, *fakeCards, *lab.Bench) {
	t.Helper()
	a := newDeskBench(t)
	b, err := a.store.GetBench(t.Context(), "desk", 0)
	must(t, err)
	place := otherPlace(t, a, b.Body)
	a.use = func(context.Context, string) (*lab.Bench, error) { return place, nil }
	p := a.person(store.Operator)
	for _, step := range []string{"/bench/control", "/benches/desk/use", "/bench/control"} {
		if w := p.post(step, url.Values{"do": {"take"}}); w.Code != http.StatusSeeOther {
			t.Fatalf("%s: %d %s", step, w.Code, w.Body)
		}
	}
	return a, p, place.Cards.(*fakeCards), place
}

func dialectValues(more ...string) url.Values {
	v := url.Values{"connection": {"cards"}, "rev": {"1"}, form.DialectField("safe"): {"ABOR"}, "sampleChannel": {"1"}, "sampleLevel": {"0"}, "sampleRangeV": {"2"}, "sampleLimitI": {"1E-06"}}
	for i := 0; i < len(more); i += 2 {
		name := more[i]
		if slices.ContainsFunc(bench.Blanks(), func(b bench.Blank) bool { return b.Name == name }) {
			name = form.DialectField(name)
		}
		v.Set(name, more[i+1])
	}
	return v
}

// A text is tried as it stands in the form: a question brings its answer, and
// after anything else the bench is made safe and the person is told.
func TestTryText(t *testing.T) {
	_, p, cards, place := deskInUse(t)
	w := p.post("/benches/desk/dialect", dialectValues("do", "try:identify"))
	for _, part := range []string{"Example maker,Two channels,7,0.1", "error queue is empty"} {
		if w.Code != 200 || !strings.Contains(w.Body.String(), part) {
			t.Errorf("asking who it is: %d, nothing of %q", w.Code, part)
		}
	}
	if strings.Contains(w.Body.String(), "made safe afterwards") {
		t.Error("a question made the bench safe")
	}
	w = p.post("/benches/desk/dialect", dialectValues("do", "try:outputOn", "outputOn", "OUTPUT{channel} 1"))
	if w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "I am grounded") {
		t.Fatalf("before anything is energised: %d", w.Code)
	}
	carried := dialectValues("do", "try:outputOn", "outputOn", "OUTPUT{channel} 1")
	carried["confirm"] = everyName()
	cards.answers["OUTPUT1 1"] = ""
	w = p.post("/benches/desk/dialect", carried)
	if w.Code != 200 || !strings.Contains(w.Body.String(), "The bench was made safe afterwards") || place.Station.Snapshot().State != bench.Safe {
		t.Errorf("switching an output on: %d, the bench is %s", w.Code, place.Station.Snapshot().State)
	}
	w = p.post("/benches/desk/dialect", dialectValues("do", "try:reset", "reset", "*RST\r\n*CLS"))
	if !slices.Equal(cards.said, []string{"*IDN?", "OUTPUT1 1", "*RST"}) || !strings.Contains(w.Body.String(), "Undefined header") {
		t.Errorf("said %q: lines after an error are not sent", cards.said)
	}
	w = p.post("/benches/desk/dialect", dialectValues("do", "try:forceVoltage"))
	if last := cards.said[len(cards.said)-1]; last != "SOUR1:FUNC:MODE VOLT;:SOUR1:VOLT:RANG 2;:SOUR1:VOLT 0;:SENS1:CURR:RANG 1E-06;:SENS1:CURR:PROT 1E-06" || w.Code != 200 {
		t.Errorf("%d: forcing a voltage said %q", w.Code, last)
	}
	b, err := p.a.store.GetBench(t.Context(), "desk", 0)
	if err != nil || b.Rev != 1 {
		t.Errorf("trying saved revision %d, %v", b.Rev, err)
	}
}

// What cannot be tried says why, and nothing is sent.
func TestTryRefused(t *testing.T) {
	a, p, cards, _ := deskInUse(t)
	other := a.person(store.Operator)
	for name, c := range map[string]struct {
		who  person
		form url.Values
		code int
		said string
	}{
		"a place that is not its own": {p, dialectValues("do", "try:safe", "safe", "OUTP{channel} 0"), 422, "there is no value for {channel} here"},
		"no command":                  {p, dialectValues("do", "try:aperture", "aperture", "-"), 422, "there is no such command to try"},
		"no text":                     {p, dialectValues("do", "try:nothing"), 422, "there is no such text"},
		"no message":                  {p, dialectValues("do", "try:fields"), 422, "there is no such text"},
		"without control":             {other, dialectValues("do", "try:identify"), 409, "holds control"},
		"a line end in a value":       {p, dialectValues("do", "try:outputState", "sampleChannel", "1?\r\nOUTP1 ON;*IDN"), 422, "one line"},
		"no such connection":          {p, dialectValues("do", "try:identify", "connection", "elsewhere"), 404, "no connection of this name"},
	} {
		w := c.who.post("/benches/desk/dialect", c.form)
		if w.Code != c.code || !strings.Contains(w.Body.String(), c.said) {
			t.Errorf("%s: %d, want %d and %q", name, w.Code, c.code, c.said)
		}
	}
	for _, m := range cards.said {
		if m != "OUTP1?" {
			t.Errorf("said %q", cards.said)
		}
	}
	fresh := newDeskBench(t)
	if w := fresh.person(store.Owner).post("/benches/desk/dialect", dialectValues("do", "try:identify")); w.Code != http.StatusConflict {
		t.Errorf("on a bench that is not in use: %d", w.Code)
	}
}

// A dialect is saved as a revision, what is the protocol's own stays empty, and
// the second of two editors loses nothing.
func TestDialectSaves(t *testing.T) {
	a := newDeskBench(t)
	p := a.person(store.Operator)
	v := dialectValues("do", "save", "read", "READ? (@{channel})", "reset", "*RST\r\n*CLS", "fields", "v,i,limit")
	if w := p.post("/benches/desk/dialect", v); w.Code != http.StatusSeeOther {
		t.Fatalf("saving: %d", w.Code)
	}
	b, err := a.store.GetBench(t.Context(), "desk", 0)
	must(t, err)
	if c := b.Body.Connections[0].Commands; b.Rev != 2 || c != (bench.Commands{Safe: "ABOR", Read: "READ? (@{channel})", Fields: "v,i,limit"}) {
		t.Errorf("revision %d: %+v", b.Rev, c)
	}
	w := p.post("/benches/desk/dialect", dialectValues("do", "save", "error", "SYSTEM:ERROR?"))
	for _, part := range []string{"saved revision 2 of this bench", "connection cards: “Read”", "SYSTEM:ERROR?", `name="rev" value="2"`, "Save on top"} {
		if w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), part) {
			t.Errorf("over somebody else's: %d, nothing of %q", w.Code, part)
		}
	}
	for field, c := range map[string][2]string{
		"identify": {"-", "cannot be left out"}, "outputOn": {"OUTP{pin} ON", "there is no value for {pin} here"}, "fields": {"v", "a reading needs i"},
		"read": {strings.Repeat("R", 401), "at most 400 characters"},
	} {
		w := p.post("/benches/desk/dialect", dialectValues("do", "save", "rev", "2", field, c[0]))
		if w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), c[1]) {
			t.Errorf("%s: %d, nothing of %q", field, w.Code, c[1])
		}
	}
}

package procedure_test

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"html"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/server/live"
	"ohmkeep/server/liverun"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/routes"
	"ohmkeep/server/run"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// wholeLab is the whole server on a rehearsal bench with a known load in its socket.
type wholeLab struct {
	t       *testing.T
	http    http.Handler
	token   string
	station *run.Station
}

func newLab(t *testing.T) *wholeLab {
	t.Helper()
	ctx := context.Background()
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
	def := rehearsal.DefaultBench()
	link, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: 1})
	must(t, err)
	pins := bench.PinMap{Device: "load", Bench: def.Key, Contacts: map[int]int{1: 1, 2: 2, 3: 3, 4: 4}}
	must(t, link.Replace(rehearsal.Seat{Model: "check-load", Seed: 1, PinMap: pins}, nil))
	db := storetest.New(t)
	_, err = db.SaveBench(ctx, def, 0, "test")
	must(t, err)
	_, err = db.SaveDevice(ctx, load(), 0, "test")
	must(t, err)
	_, err = db.SavePinMap(ctx, pins, 0, "test")
	must(t, err)
	hub := live.NewHub(log, nil)
	runs := liverun.New(hub, db, log)
	stepper := run.NewStepper(link)
	station := run.NewStation(ctx, run.Config{Link: stepper, Clock: clock, Recorder: db, Observer: runs, Log: log})
	t.Cleanup(func() {
		must(t, station.Close(ctx))
		hub.Close()
	})
	id, err := link.Identify(ctx)
	must(t, err)
	first := &lab.Bench{Definition: def, Said: func() bench.Identity { return id }, Station: station, Stepper: stepper}
	desk := lab.New(lab.Config{Store: db, Live: runs, Log: log, Now: clock.Now}, first)
	l := &wholeLab{t: t, station: station, http: routes.New(routes.Config{Store: db, Hub: hub, Lab: desk, Runs: runs, Log: log, Version: "test", Now: clock.Now})}
	l.token, err = db.NewToken(ctx, store.Owner, "test")
	must(t, err)
	return l
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// load is a known resistor of 1 kΩ between two pins.
func load() dut.Device {
	d := dut.Device{Key: "load", Name: "Known load", Package: dut.Package{Family: dut.SingleRow, Pins: 4}, Model: "check-load"}
	for n, name := range []string{"A", "B", "AS", "BS"} {
		d.Pins = append(d.Pins, dut.Pin{Number: n + 1, Name: name, Function: dut.Analog, MinV: -10, MaxV: 10, MaxI: 0.1})
	}
	return d
}

// ask sends a request: a form where body is url.Values, otherwise JSON. It gives
// the body of an answer that has the status.
func (l *wholeLab) ask(status int, method, path string, body any) string {
	l.t.Helper()
	var in io.Reader
	kind := "application/json"
	switch b := body.(type) {
	case url.Values:
		in, kind = strings.NewReader(b.Encode()), "application/x-www-form-urlencoded"
	case string:
		in = strings.NewReader(b)
	}
	r := httptest.NewRequestWithContext(l.t.Context(), method, path, in)
	r.Host = "localhost"
	r.Header.Set("Authorization", "Bearer "+l.token)
	if in != nil {
		r.Header.Set("Content-Type", kind)
	}
	if rev, tagged := strings.CutPrefix(path, "/api/v1/procedures/soak?"); tagged && method == "PUT" {
		r.URL.RawQuery = ""
		r.Header.Set("If-Match", `"`+rev+`"`)
	}
	w := httptest.NewRecorder()
	l.http.ServeHTTP(w, r)
	if w.Code != status {
		l.t.Fatalf("%s %s: status %d, want %d: %.1500s", method, path, w.Code, status, w.Body)
	}
	return w.Body.String()
}

// json reads an answer of the API.
func (l *wholeLab) json(path string) (v map[string]any) {
	l.t.Helper()
	must(l.t, json.Unmarshal([]byte(l.ask(200, "GET", path, nil)), &v))
	return v
}

// has holds that a text is in an answer.
func (l *wholeLab) has(where, answer string, texts ...string) {
	l.t.Helper()
	for _, text := range texts {
		if !strings.Contains(html.UnescapeString(answer), text) {
			l.t.Errorf("%s says nothing of %q", where, text)
		}
	}
}

// formOf is what a page's form would send: the names and values of its inputs,
// and of choices what is selected.
func formOf(page string) url.Values {
	v := url.Values{}
	attr := func(tag, name string) (string, bool) {
		m := regexp.MustCompile(`\s` + name + `="([^"]*)"`).FindStringSubmatch(tag)
		if m == nil {
			return "", false
		}
		return html.UnescapeString(m[1]), true
	}
	for _, tag := range regexp.MustCompile(`<input\s[^>]*>`).FindAllString(page, -1) {
		name, _ := attr(tag, "name")
		value, _ := attr(tag, "value")
		box, _ := attr(tag, "type")
		if name != "" && (box != "checkbox" || regexp.MustCompile(`\schecked`).MatchString(tag)) {
			v.Set(name, value)
		}
	}
	for _, m := range regexp.MustCompile(`(?s)<select(\s[^>]*)>(.*?)</select>`).FindAllStringSubmatch(page, -1) {
		name, _ := attr(m[1], "name")
		for i, option := range regexp.MustCompile(`<option[^>]*>`).FindAllString(m[2], -1) {
			if value, _ := attr(option, "value"); i == 0 || strings.Contains(option, " selected") {
				v.Set(name, value)
			}
		}
	}
	return v
}

// A kind with two fields of its own goes the whole way by being in the table:
// form, document, API, words, differences, check, run, page and CSV.
func TestAKindIsOneFileAndOneLine(t *testing.T) {
	procedure.WithSoak(t)
	l := newLab(t)
	l.ask(201, "PUT", "/api/v1/procedures/soak", `{"format":1,"key":"soak","name":"Soak","device":"load","guard":1,"measurements":[]}`)

	l.form()
	l.api()
	l.schemas()
	l.words()
	l.check()
	l.run()
}

// form adds a measurement by the page, with a mistake first.
func (l *wholeLab) form() {
	l.t.Helper()
	page := l.ask(200, "GET", "/procedures/soak/add?kind=soak", nil)
	l.has("the form", page, "Soak current", `name="dwell"`, `name="polarity"`, "before the first reading", "both measures every pin twice", `value="negative"`)
	f := formOf(page)
	if f.Get("dwell") != "500 ms" || f.Get("polarity") != "positive" {
		l.t.Errorf("the form begins with %q and %q", f.Get("dwell"), f.Get("polarity"))
	}
	f.Set("pins", "1")
	f.Set("hold[0].pin", "2")
	f.Set("hold[0].use", "return")
	f.Set("limits.drawn.low", "400 µA")
	f.Set("limits.drawn.high", "600 µA")
	f.Set("limits.asymmetry.high", "0.5")
	f.Set("polarity", "both")
	f.Set("do", "save")
	for dwell, says := range map[string]string{"5 V": "voltage", "2 min": "dwell", "0 s": "must be 1 ms to 60 s", "1000 s": "must be 1 ms to 60 s"} {
		f.Set("dwell", dwell)
		l.has("the form with a dwell of "+dwell, l.ask(422, "POST", "/procedures/soak/add", f), says)
	}
	f.Set("dwell", "250 ms")
	l.ask(303, "POST", "/procedures/soak/add", f)
	again := formOf(l.ask(200, "GET", "/procedures/soak/edit/soak", nil))
	if again.Get("dwell") != "250 ms" || again.Get("polarity") != "both" || again.Get("limits.drawn.high") != "600 µA" {
		l.t.Errorf("the form comes back as %v", again)
	}
}

// api reads the document, refuses what is wrong in it, and changes it.
func (l *wholeLab) api() {
	l.t.Helper()
	body := l.json("/api/v1/procedures/soak")["body"].(map[string]any)
	m := body["measurements"].([]any)[0].(map[string]any)
	if m["dwell"] != 0.25 || m["polarity"] != "both" {
		l.t.Errorf("the API gives dwell %v, polarity %v", m["dwell"], m["polarity"])
	}
	put := func(status int, change func()) string {
		change()
		text, err := json.Marshal(body)
		must(l.t, err)
		return l.ask(status, "PUT", "/api/v1/procedures/soak?2", string(text))
	}
	for says, change := range map[string]func(){
		"measurements[0].dwell":    func() { m["dwell"] = "long" },
		"measurements[0].polarity": func() { m["polarity"] = "sideways" },
		"measurements[0].colour":   func() { m["colour"] = 1 },
		"must be 1 ms to 60 s":     func() { m["dwell"] = 61 },
	} {
		l.has("the API", put(422, change), says)
		m["dwell"], m["polarity"] = 0.25, "both"
		delete(m, "colour")
	}
	put(200, func() { m["dwell"] = 0.75 })
	text, err := json.Marshal(body)
	must(l.t, err)
	p, err := procedure.ParseProcedure(text)
	must(l.t, err)
	if p.Measurements[0].Own["dwell"] != 0.75 {
		l.t.Errorf("read as %v", p.Measurements[0].Own)
	}
	if _, err := procedure.ParseProcedure([]byte(strings.Replace(string(text), "dwell", "dwelt", 1))); err == nil {
		l.t.Error("a misspelt field was read")
	}
}

// schemas holds that both schemas and the list of kinds have the fields.
func (l *wholeLab) schemas() {
	l.t.Helper()
	for _, at := range []string{"/api/v1/schemas/procedure.json", "/api/v1/openapi.json"} {
		l.has(at, l.ask(200, "GET", at, nil), "s that the voltage stands before it is read", "sign of the voltage", `"polarity"`)
	}
	l.has("/api/v1/kinds", l.ask(200, "GET", "/api/v1/kinds", nil), `"dwell"`, `"Soak current"`, `"asymmetry"`)
}

// words holds that the fields are said, and what changed in them.
func (l *wholeLab) words() {
	l.t.Helper()
	l.has("the editor", l.ask(200, "GET", "/procedures/soak/edit", nil), "the voltage stands for 750 ms first", "polarity both", "force 500 mV")
	l.has("the history", l.ask(200, "GET", "/procedures/soak/revisions?a=2&b=3", nil), "the voltage stands for 250 ms first", "the voltage stands for 750 ms first")
}

// check holds the plan, the prediction and the time of the check before power.
func (l *wholeLab) check() {
	l.t.Helper()
	report := l.json("/api/v1/procedures/soak/check")
	m := report["measurements"].([]any)[0].(map[string]any)
	predictions, _ := m["predictions"].([]any)
	if len(predictions) != 1 || predictions[0].(map[string]any)["key"] != "drawn" {
		l.t.Fatalf("predicted %v", m["predictions"])
	}
	if u := predictions[0].(map[string]any)["u"].(float64); !(u > 0 && u < 100e-6) {
		l.t.Errorf("U of %g A is predicted", u)
	}
	if s := m["settling"].(float64); s < 1.5 || s > 1.6 || report["total"].(float64) < s {
		l.t.Errorf("settling takes %g s of %v s, and the voltage stands twice for 750 ms", s, report["total"])
	}
	l.has("the page of the check", l.ask(200, "GET", "/procedures/soak/check", nil), "Current drawn",
		"How well Asymmetry will be known cannot be said beforehand: it hangs on two currents that no limit names")
}

// run carries the procedure out and looks at what it leaves.
func (l *wholeLab) run() {
	l.t.Helper()
	var started struct{ ID string }
	must(l.t, json.Unmarshal([]byte(l.ask(201, "POST", "/api/v1/runs", `{"device":"load","procedure":"soak","serial":"S1"}`)), &started))
	must(l.t, l.station.Wait(l.t.Context()))
	at := "/api/v1/runs/" + started.ID
	rec := l.json(at)
	m := rec["procedure"].(map[string]any)["measurements"].([]any)[0].(map[string]any)
	if rec["status"] != "done" || m["dwell"] != 0.75 {
		l.t.Errorf("the run is %v, its record has a dwell of %v", rec["status"], m["dwell"])
	}
	found := map[string]float64{}
	for _, r := range l.json(at + "/results")["items"].([]any) {
		r := r.(map[string]any)
		found[r["key"].(string)] = r["value"].(float64)
	}
	if i := found["drawn"]; len(found) != 2 || i < 480e-6 || i > 510e-6 {
		l.t.Errorf("0.5 V on 1 kΩ gave %v", found)
	}
	page := l.ask(200, "GET", "/runs/"+started.ID, nil)
	l.has("the page of the run", page, "Current drawn", "Asymmetry", "the voltage stands for 750 ms first", "polarity both")
	rows, err := csv.NewReader(strings.NewReader(l.ask(200, "GET", at+"/results.csv", nil))).ReadAll()
	must(l.t, err)
	if len(rows) != 3 || !strings.Contains(strings.Join(rows[1], ","), strconv.FormatFloat(found["drawn"], 'g', -1, 64)) {
		l.t.Errorf("the results as CSV: %v", rows)
	}
	if rows := strings.Count(l.ask(200, "GET", at+"/readings.csv", nil), "\n"); rows != 3 {
		l.t.Errorf("%d lines of readings as CSV", rows)
	}
}

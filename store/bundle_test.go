package store_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"ohmkeep/server/bench"
	"ohmkeep/server/bundle"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// labBench is a small bench that may be stored everywhere.
func labBench(key string) bench.Definition {
	d := bench.Definition{Key: key, Name: "Bench " + key, Contacts: 8, LineHz: 50, SwitchTime: 2e-3,
		Connections: []bench.Connection{{Name: "cards", Cards: []int{1}, Address: "tcp://card.example:5025", Timeout: 1, Watchdog: 2}}}
	r := []bench.Range{{FullScale: 10, Step: 5e-4, Gain: 5e-4, Offset: 2e-3}}
	i := []bench.Range{{FullScale: 1e-3, Step: 1e-8, Gain: 1e-3, Offset: 1e-6, LoopTime: 1e-4}}
	for n := bench.ChannelID(1); n <= 2; n++ {
		d.Channels = append(d.Channels, bench.Channel{ID: n, Name: string(rune('A' + n - 1)), Card: 1, ForceV: r, SenseV: r, ForceI: i, SenseI: i, SourceR: 0.5})
		for c := 1; c <= 8; c++ {
			d.Paths = append(d.Paths, bench.Path{ID: bench.PathID(len(d.Paths) + 1), Channel: n, Contact: c, Mux: fmt.Sprintf("m%d", n),
				Address: fmt.Sprintf("%d!%d", n, c), Resistance: 4, Leakage: 1e-11, ResistanceTolerance: 0.1, LeakageTolerance: 0.5})
		}
	}
	return d
}

// stockLab stores the documents that record's runs are made with.
func stockLab(t testing.TB, s *store.Store) {
	t.Helper()
	_, err := s.SaveDevice(t.Context(), device("r-one"), 0, "ann")
	must(t, err)
	_, err = s.SaveBench(t.Context(), labBench("b-one"), 0, "ann")
	must(t, err)
	_, err = s.SaveProcedure(t.Context(), proc("r-check", "r-one"), 0, "ann")
	must(t, err)
	_, err = s.SavePinMap(t.Context(), record("", "").PinMap, 0, "ann")
	must(t, err)
}

// stockRun stores an ended run of n readings with results, budgets and all that
// some runs have.
func stockRun(t testing.TB, s *store.Store, id string, n int, change func(*procedure.Record)) {
	t.Helper()
	r := record(id, "unit of "+id)
	r.Bench, r.DeviceRev, r.ProcRev = labBench("b-one"), 1, 1
	r.Acknowledged = []procedure.Finding{{Code: "settle", Message: "short"}}
	r.Confirmed = []procedure.Confirmation{{What: "pin 1", By: "ann", At: start}}
	if change != nil {
		change(r)
	}
	begin(t, s, r)
	b := batch(0, readings(0, n, 2))
	x := result(0, "r", 1, 1/3.0)
	x.Budget = &procedure.Budget{DF: 12, Lines: []procedure.Line{{Name: "gain", Standard: 0.001, Contribution: 0.001, Share: 1}}}
	b.Results = []procedure.Result{x, result(1, "drift", 2, float64(n)*1e-17)}
	b.Complete = []int{0}
	appendAll(t, s, id, b)
	must(t, s.SaveTraffic(t.Context(), id, cardinfo.Traffic{Events: []cardinfo.Event{{N: 1, At: start, Connection: "one", Bytes: []byte("*IDN?")}}, Dropped: 3}))
	must(t, s.Finish(t.Context(), id, procedure.Ending{Status: procedure.Done, Outcome: "pass", Ended: r.Started.Add(time.Minute)}))
}

var here = store.BundleSource{Server: "https://a.example", By: "Ann", Program: "test", Choice: "everything"}

// exported is a bundle of a choice.
func exported(t testing.TB, s *store.Store, c store.Choice) ([]byte, *store.Exported) {
	t.Helper()
	var out bytes.Buffer
	e, err := s.Export(t.Context(), &out, c, here)
	must(t, err)
	return out.Bytes(), e
}

// imported brings a bundle in; the store must be sound afterwards.
func imported(t testing.TB, s *store.Store, file []byte) *store.Imported {
	t.Helper()
	looked, err := s.Look(t.Context(), bytes.NewReader(file), store.ImportOptions{})
	must(t, err)
	got, err := s.Import(t.Context(), bytes.NewReader(file), "Bob", store.ImportOptions{})
	must(t, err)
	looked.Dry = false
	if d := cmp.Diff(looked, got, cmpopts.IgnoreFields(store.BundleLine{}, "As")); d != "" {
		t.Errorf("a look said otherwise: %s", d)
	}
	sound(t, s)
	return got
}

// sound has the whole store checked.
func sound(t testing.TB, s *store.Store) {
	t.Helper()
	c, err := s.Check(t.Context(), nil)
	must(t, err)
	if len(c.Findings) > 0 {
		t.Fatalf("%v", c.Findings)
	}
}

// contentOf is what a store holds, but for times and numbers of its own.
func contentOf(t testing.TB, s *store.Store) map[string]string {
	t.Helper()
	file, _ := exported(t, s, store.Choice{All: true})
	r, err := bundle.NewReader(bytes.NewReader(file))
	must(t, err)
	out := map[string]string{}
	for {
		name, body, err := r.Next()
		if errors.Is(err, io.EOF) {
			return out
		}
		must(t, err)
		if strings.HasSuffix(name, "head.json") {
			body = withoutOrigins(t, body)
		}
		out[name] = string(body)
	}
}

func withoutOrigins(t testing.TB, body []byte) []byte {
	t.Helper()
	var head map[string]any
	must(t, json.Unmarshal(body, &head))
	run, _ := head["run"].(map[string]any)
	delete(run, "origins")
	body, err := json.Marshal(head)
	must(t, err)
	return body
}

func fates(r *store.Imported) map[string]store.Fate {
	out := map[string]store.Fate{}
	for _, l := range r.Lines {
		out[l.What] = l.Fate
	}
	return out
}

// TestBundleRoundTrip: what goes from one store to an empty one is the same there,
// and goes on from there the same; brought twice it is there once.
func TestBundleRoundTrip(t *testing.T) {
	t.Parallel()
	a, b := storetest.New(t), storetest.New(t)
	stockLab(t, a)
	_, err := a.SaveDevice(t.Context(), func() dut.Device { d := device("r-one"); d.Description = "better"; return d }(), 1, "ann")
	must(t, err)
	for i, n := range []int{0, 3, 1024, 5000} {
		stockRun(t, a, "run-"+itoa(i), n, func(r *procedure.Record) {
			r.Started = start.Add(time.Duration(i) * time.Hour)
			r.Note = "note\n" + itoa(i)
		})
	}
	must(t, a.DeleteProcedure(t.Context(), "r-check"))
	file, e := exported(t, a, store.Choice{All: true})
	if e.Runs != 4 || e.Documents != 4 || e.Results != 8 || e.Readings != 6027 || len(e.LeftOut) != 0 {
		t.Errorf("%+v", e)
	}
	got := imported(t, b, file)
	if got.New != 8 || got.Runs != 4 || got.Readings != 6027 || got.Sum != e.Sum {
		t.Errorf("%+v", got)
	}
	want := contentOf(t, a)
	if d := cmp.Diff(want, contentOf(t, b)); d != "" {
		t.Fatal(d)
	}
	if _, err := b.GetProcedure(t.Context(), "r-check", 0); err != nil {
		t.Error(err)
	}
	if list, err := b.ListProcedures(t.Context(), ""); err != nil || len(list) != 0 {
		t.Errorf("a removed procedure came back: %v %v", list, err)
	}
	rec, err := b.GetRun(t.Context(), "run-2")
	must(t, err)
	if len(rec.Origins) != 1 || rec.Origins[0].Server != "https://a.example" || rec.Origins[0].BroughtBy != "Bob" || rec.Origins[0].File != e.Sum || rec.Origins[0].Run != "run-2" {
		t.Errorf("%+v", rec.Origins)
	}
	if rec.DeviceRev != 1 || rec.ProcRev != 1 {
		t.Errorf("revisions %d and %d", rec.DeviceRev, rec.ProcRev)
	}
	again := imported(t, b, file)
	if again.There != 8 || again.Changes() {
		t.Errorf("%+v", again)
	}
	back, _ := exported(t, b, store.Choice{All: true})
	if home := imported(t, a, back); home.Changes() || home.There != 8 {
		t.Errorf("on its way back: %+v", home)
	}
	if d := cmp.Diff(want, contentOf(t, a)); d != "" {
		t.Fatal(d)
	}
	events, err := b.FindEvents(t.Context(), store.EventFilter{Action: "import"}, 10)
	if err != nil || len(events) != 1 || events[0].By != "Bob" || !strings.Contains(events[0].Detail, "https://a.example") {
		t.Errorf("%v %v", events, err)
	}
}

// TestBundleNamesCollide: what differs under the same name is never overwritten:
// it comes under its own, with all that refers to it, and is known again.
func TestBundleNamesCollide(t *testing.T) {
	t.Parallel()
	a, b := storetest.New(t), storetest.New(t)
	stockLab(t, a)
	stockRun(t, a, "same", 10, nil)
	other := device("r-one")
	other.Description = "another part of the same name"
	_, err := b.SaveDevice(t.Context(), other, 0, "bob")
	must(t, err)
	_, err = b.SaveBench(t.Context(), labBench("b-one"), 0, "bob")
	must(t, err)
	_, err = b.SaveProcedure(t.Context(), proc("r-check", "r-one"), 0, "bob")
	must(t, err)
	stockRun(t, b, "same", 20, func(r *procedure.Record) { r.Device = other; r.Started = start.Add(time.Hour) })
	mine := contentOf(t, b)

	file, _ := exported(t, a, store.Choice{All: true})
	got := imported(t, b, file)
	want := map[string]store.Fate{"device r-one": store.FateRenamed, "bench b-one": store.FateThere, "procedure r-check": store.FateRenamed,
		"pin map r-one/b-one": store.FateNew, "run same": store.FateRenamed}
	if d := cmp.Diff(want, fates(got)); d != "" {
		t.Fatal(d)
	}
	as := map[string]string{}
	for _, l := range got.Lines {
		as[l.What] = l.As
	}
	rec, err := b.GetRun(t.Context(), as["run same"])
	must(t, err)
	key := as["device r-one"]
	if rec.Device.Key != key || rec.Procedure.Device != key || rec.PinMap.Device != key || rec.Procedure.Key != as["procedure r-check"] || rec.DeviceRev != 1 || rec.ProcRev != 1 ||
		!strings.HasPrefix(key, "r-one-") || rec.Device.Name != "Part r-one ("+key[len("r-one-"):]+")" {
		t.Errorf("%+v", rec)
	}
	stored, err := b.GetDevice(t.Context(), key, 0)
	must(t, err)
	if d := cmp.Diff(stored.Body, rec.Device); d != "" {
		t.Error(d)
	}
	if _, err := b.GetPinMap(t.Context(), key, "b-one", 0); err != nil {
		t.Error(err)
	}
	ours, err := b.GetRun(t.Context(), "same")
	if err != nil || ours.Readings != 20 || len(ours.Origins) != 0 {
		t.Errorf("the run that was here: %+v %v", ours, err)
	}
	if again := imported(t, b, file); again.Changes() {
		t.Errorf("brought again: %+v", again.Lines)
	}
	// What was here is as it was.
	for name, body := range mine {
		if strings.HasPrefix(name, "documents/00001") && contentOf(t, b)[name] != body {
			t.Errorf("%s was changed", name)
		}
	}
	// At home it is known under its old names.
	back, _ := exported(t, b, store.Choice{Runs: []string{as["run same"]}})
	if home := fates(imported(t, a, back)); home["run "+as["run same"]] != store.FateThere {
		t.Errorf("%v", home)
	}
}

// TestBundleGoesOn: a document that went on where it is from goes on here; one
// that went on in both places is two.
func TestBundleGoesOn(t *testing.T) {
	t.Parallel()
	a, b := storetest.New(t), storetest.New(t)
	stockLab(t, a)
	file, _ := exported(t, a, store.Choice{All: true})
	imported(t, b, file)
	edit := func(s *store.Store, words string, rev int) {
		d := device("r-one")
		d.Description = words
		_, err := s.SaveDevice(t.Context(), d, rev, "ann")
		must(t, err)
	}
	edit(a, "second", 1)
	file, _ = exported(t, a, store.Choice{Devices: []string{"r-one"}})
	if got := imported(t, b, file); fates(got)["device r-one"] != store.FateGoesOn || got.GoOn != 1 || got.There != 3 {
		t.Fatalf("%+v", got.Lines)
	}
	d, err := b.GetDevice(t.Context(), "r-one", 0)
	if err != nil || d.Rev != 2 || d.Body.Description != "second" || d.By != "ann" {
		t.Errorf("%+v %v", d, err)
	}
	edit(a, "third, there", 2)
	edit(b, "third, here", 2)
	file, _ = exported(t, a, store.Choice{Devices: []string{"r-one"}})
	got := imported(t, b, file)
	if fates(got)["device r-one"] != store.FateRenamed {
		t.Fatalf("%+v", got.Lines)
	}
	edit(a, "fourth, there", 3)
	file, _ = exported(t, a, store.Choice{Devices: []string{"r-one"}})
	on := imported(t, b, file)
	if on.Lines[0].Fate != store.FateGoesOn || on.Lines[0].As != got.Lines[0].As {
		t.Fatalf("%+v", on.Lines)
	}
	d, err = b.GetDevice(t.Context(), "r-one", 0)
	if err != nil || d.Body.Description != "third, here" || d.Rev != 3 {
		t.Errorf("what was here was changed: %+v %v", d, err)
	}
	d, err = b.GetDevice(t.Context(), on.Lines[0].As, 0)
	if err != nil || d.Body.Description != "fourth, there" || d.Rev != 4 {
		t.Errorf("%+v %v", d, err)
	}
}

// TestBundleChoices: a choice brings what it needs, and no more; what is not there
// is said before anything is written.
func TestBundleChoices(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	stockLab(t, s)
	_, err := s.SaveDevice(t.Context(), device("lonely"), 0, "ann")
	must(t, err)
	stockRun(t, s, "one", 5, nil)
	stockRun(t, s, "two", 5, func(r *procedure.Record) { r.Unit.Lot = "L2"; r.Started = start.Add(time.Hour) })
	begin(t, s, func() *procedure.Record { r := record("at-work", "x"); r.Started = start.Add(2 * time.Hour); return r }())
	for name, c := range map[string]struct {
		choice store.Choice
		want   []string
	}{
		"everything":   {store.Choice{All: true}, []string{"device lonely", "device r-one", "bench b-one", "procedure r-check", "pin map r-one/b-one", "run one", "run two"}},
		"a run":        {store.Choice{Runs: []string{"two"}}, []string{"device r-one", "bench b-one", "procedure r-check", "pin map r-one/b-one", "run two"}},
		"a lot":        {store.Choice{History: &store.Filter{Lot: "L2"}}, []string{"device r-one", "bench b-one", "procedure r-check", "pin map r-one/b-one", "run two"}},
		"a device":     {store.Choice{Devices: []string{"r-one"}}, []string{"device r-one", "bench b-one", "procedure r-check", "pin map r-one/b-one"}},
		"a procedure":  {store.Choice{Procedures: []string{"r-check"}}, []string{"device r-one", "procedure r-check"}},
		"a bench":      {store.Choice{Benches: []string{"b-one"}}, []string{"bench b-one"}},
		"another part": {store.Choice{Devices: []string{"lonely"}}, []string{"device lonely"}},
	} {
		file, e := exported(t, s, c.choice)
		got, err := storetest.New(t).Look(t.Context(), bytes.NewReader(file), store.ImportOptions{})
		must(t, err)
		var names []string
		for _, l := range got.Lines {
			names = append(names, l.What)
		}
		if d := cmp.Diff(c.want, names); d != "" {
			t.Errorf("%s: %s", name, d)
		}
		if atWork := slices.ContainsFunc(e.LeftOut, func(l store.LeftOut) bool { return l.What == "run at-work" }); atWork != c.choice.All {
			t.Errorf("%s: left out: %v", name, e.LeftOut)
		}
	}
	for _, c := range []store.Choice{{Runs: []string{"none"}}, {Devices: []string{"none"}}, {Procedures: []string{"none"}}, {Benches: []string{"none"}}, {History: &store.Filter{Lot: "none"}}} {
		var out bytes.Buffer
		_, err := s.Export(t.Context(), &out, c, here)
		wantCode(t, err, store.NotFound)
		if out.Len() > 0 {
			t.Errorf("%d bytes were written", out.Len())
		}
	}
}

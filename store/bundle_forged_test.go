package store_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"maps"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bundle"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// forged is a bundle of which one part, the last whose name ends so, says
// something else; its sums are right.
func forged(t testing.TB, file []byte, part string, change func(map[string]any)) []byte {
	t.Helper()
	r, err := bundle.NewReader(bytes.NewReader(file))
	must(t, err)
	var out bytes.Buffer
	w, err := bundle.NewWriter(&out, r.Header)
	must(t, err)
	changed := false
	for {
		name, body, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		must(t, err)
		if strings.HasSuffix(name, part) {
			first, rest, _ := bytes.Cut(body, []byte("\n"))
			if strings.HasSuffix(name, ".json") {
				first, rest = body, nil
			}
			var doc map[string]any
			must(t, json.Unmarshal(first, &doc))
			change(doc)
			first, err = json.Marshal(doc)
			must(t, err)
			body, changed = append(append(first, '\n'), rest...), true
		}
		must(t, w.Part(name, body))
	}
	must(t, w.Close())
	if !changed {
		t.Fatalf("there is no part %s", part)
	}
	return out.Bytes()
}

// in is a document in a document.
func in(t testing.TB, doc map[string]any, name string) map[string]any {
	t.Helper()
	out, ok := doc[name].(map[string]any)
	if !ok {
		t.Fatalf("%s is %v", name, doc[name])
	}
	return out
}

// forgedRun is a store's bundle of one run.
func forgedRun(t testing.TB, change func(*procedure.Record)) []byte {
	t.Helper()
	s := storetest.New(t)
	stockLab(t, s)
	stockRun(t, s, "one", 5, change)
	file, _ := exported(t, s, store.Choice{All: true})
	return file
}

// refusesRun holds that a bundle's only run is refused for a reason, and no
// document is.
func refusesRun(t testing.TB, s *store.Store, name string, file []byte, why string) {
	t.Helper()
	got, err := s.Look(t.Context(), bytes.NewReader(file), store.ImportOptions{})
	if err != nil {
		t.Errorf("%s: %v", name, err)
		return
	}
	last := got.Lines[len(got.Lines)-1]
	if got.Refused != 1 || last.What != "run one" || last.Fate != store.FateRefused || !strings.Contains(last.Why, why) {
		t.Errorf("%s: %+v", name, last)
	}
}

// TestBundleKeepsRehearsalsApart: a run that says of itself that it was no
// rehearsal does not come in where anything in it says that it was one.
func TestBundleKeepsRehearsalsApart(t *testing.T) {
	t.Parallel()
	to := storetest.New(t)
	file := forgedRun(t, nil)
	for name, change := range map[string]func(run, head map[string]any){
		"the run alone says no":    func(run, _ map[string]any) { run["rehearsal"] = false },
		"the bench alone says no":  func(run, _ map[string]any) { in(t, run, "identity")["rehearsal"] = false },
		"a model was in its place": func(run, _ map[string]any) { run["rehearsal"], in(t, run, "identity")["rehearsal"] = false, false },
		"its bench is the program's": func(run, head map[string]any) {
			run["rehearsal"], in(t, run, "identity")["rehearsal"] = false, false
			in(t, run, "bench")["key"] = "rehearsal"
			delete(run, "seated")
			delete(head, "seated")
		},
	} {
		refusesRun(t, to, name, forged(t, file, "head.json", func(head map[string]any) { change(in(t, head, "run"), head) }), "rehearsal")
	}
	real := forgedRun(t, func(r *procedure.Record) { r.Rehearsal, r.Identity.Rehearsal, r.Seated = false, false, nil })
	if got := imported(t, to, real); got.Refused > 0 || got.Runs != 1 {
		t.Errorf("a run of a real part: %+v", got.Lines)
	}
}

// TestBundleTimes: a run or a revision at a time that cannot be stored, or that
// has not come yet, is refused: it would read as one of another century.
func TestBundleTimes(t *testing.T) {
	t.Parallel()
	now := time.Now() // of the revisions too
	to := storetest.Open(t, storetest.Path(t), store.Options{Now: func() time.Time { return now }})
	file := forgedRun(t, nil)
	for _, c := range []struct {
		began, ended time.Time
		why          string
	}{
		{time.Date(2300, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2300, 1, 1, 0, 1, 0, 0, time.UTC), "cannot be stored"},
		{time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(9999, 1, 1, 0, 1, 0, 0, time.UTC), "cannot be stored"},
		{time.Date(1600, 1, 1, 0, 0, 0, 0, time.UTC), start, "cannot be stored"},
		{time.Time{}, start, "cannot be stored"},
		{start, now.Add(25 * time.Hour), "in the future"},
		{now.Add(25 * time.Hour), now.Add(26 * time.Hour), "in the future"},
		{start, start.Add(-time.Nanosecond), "before its start"},
	} {
		refusesRun(t, to, c.began.String(), forged(t, file, "head.json", func(head map[string]any) {
			run := in(t, head, "run")
			run["started"], run["ended"] = c.began, c.ended
		}), c.why)
	}
	for _, at := range []time.Time{{}, time.Date(2300, 1, 1, 0, 0, 0, 0, time.UTC), now.Add(25 * time.Hour)} {
		got, err := to.Look(t.Context(), bytes.NewReader(forged(t, file, "documents/00001-0001.jsonl", func(r map[string]any) { r["at"] = at })), store.ImportOptions{})
		if err != nil || fates(got)["device r-one"] != store.FateRefused {
			t.Errorf("a revision at %v: %v %v", at, got, err)
		}
	}
	ahead := forged(t, file, "head.json", func(head map[string]any) {
		run := in(t, head, "run")
		run["started"], run["ended"] = now.Add(time.Hour), now.Add(2*time.Hour)
	})
	got, err := to.Look(t.Context(), bytes.NewReader(ahead), store.ImportOptions{})
	if err != nil || fates(got)["run one"] != store.FateNew {
		t.Errorf("by a clock that is a little ahead: %+v %v", got, err)
	}
}

// TestBundleRefusesContradictions: results, and the outcome of a run, that
// contradict themselves are refused; honest ones of every kind come in.
func TestBundleRefusesContradictions(t *testing.T) {
	t.Parallel()
	to := storetest.New(t)
	file := forgedRun(t, nil) // the first result is 0.333 ± 0.01 with the lower limit -1.5, and passed
	for name, c := range map[string]struct {
		change map[string]any
		why    string
	}{
		"beyond its limit":    {map[string]any{"value": -9.25}, "not within limits"},
		"beyond the other":    {map[string]any{"high": 0.3}, "not within limits"},
		"no value":            {map[string]any{"value": nil}, "not within limits"},
		"no limits":           {map[string]any{"low": nil}, "not within limits"},
		"negative U":          {map[string]any{"u": -1}, "uncertainty"},
		"no U":                {map[string]any{"u": nil}, "no uncertainty"},
		"wrong way round":     {map[string]any{"from": 2, "to": 1}, "uncertainty"},
		"near its limit":      {map[string]any{"value": -1.499}, "decision rule"},
		"conditional":         {map[string]any{"outcome": "conditional pass"}, "decision rule"},
		"failed within":       {map[string]any{"outcome": "fail"}, "not beyond"},
		"nothing said":        {map[string]any{"outcome": ""}, "says nothing"},
		"conformity":          {map[string]any{"conformity": 7}, "probability"},
		"negative conformity": {map[string]any{"conformity": -0.1}, "probability"},
		"pin":                 {map[string]any{"pin": 99}, "pin 99"},
		"a fail in a pass":    {map[string]any{"value": -9.25, "outcome": "fail"}, "by its results"},
		"an invalid in it":    {map[string]any{"value": nil, "outcome": "invalid"}, "by its results"},
		"its limit unjudged":  {map[string]any{"key": "other"}, "by its results"},
	} {
		refusesRun(t, to, name, forged(t, file, "results-0001.jsonl", func(x map[string]any) { maps.Copy(x, c.change) }), c.why)
	}
	for outcome, status := range map[string]string{"": "done", "fail": "done", "conditional pass": "stopped", "pass": "failed"} {
		refusesRun(t, to, outcome+" "+status, forged(t, file, "head.json", func(head map[string]any) {
			run := in(t, head, "run")
			run["outcome"], run["status"] = outcome, status
		}), "by its results")
	}
	for name, c := range map[string]struct{ result, run map[string]any }{
		"a fail":                  {map[string]any{"value": -9.25, "outcome": "fail"}, map[string]any{"outcome": "fail"}},
		"a bound that fails":      {map[string]any{"value": -9.25, "outcome": "fail", "u": nil, "from": nil}, map[string]any{"outcome": "fail"}},
		"near its limit":          {map[string]any{"value": -1.499, "outcome": "conditional pass"}, map[string]any{"outcome": "conditional pass"}},
		"invalid":                 {map[string]any{"outcome": "invalid", "u": nil, "from": nil, "to": nil}, map[string]any{"outcome": "invalid"}},
		"stopped":                 {nil, map[string]any{"outcome": "invalid", "status": "stopped"}},
		"its end stored too late": {nil, map[string]any{"outcome": "pass", "status": "interrupted"}},
		"the server was killed":   {nil, map[string]any{"outcome": "", "status": "interrupted"}},
		"of no pin":               {map[string]any{"pin": 0}, nil},
	} {
		changed := forged(t, file, "results-0001.jsonl", func(x map[string]any) { maps.Copy(x, c.result) })
		changed = forged(t, changed, "head.json", func(head map[string]any) { maps.Copy(in(t, head, "run"), c.run) })
		if got, err := to.Look(t.Context(), bytes.NewReader(changed), store.ImportOptions{}); err != nil || got.Refused > 0 {
			t.Errorf("%s: %+v %v", name, got, err)
		}
	}
}

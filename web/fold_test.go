package web

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/a-h/templ"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
)

// standingOf is a run at work on its second measurement of three, whose first
// has the outcomes given and whose second those after.
func standingOf(first, second []derive.Outcome) RunProps {
	p := liveRun()
	p.Record.Procedure.Measurements = slices.Clone(p.Record.Procedure.Measurements[:3])
	p.Progress = Progress{Measurement: 1, Point: 1, Points: 4, Done: []bool{true, false, false}}
	p.Selected, p.Results = 1, make([][]procedure.Result, 3)
	for m, outcomes := range [][]derive.Outcome{first, second} {
		for _, o := range outcomes {
			p.Results[m] = append(p.Results[m], procedure.Result{Measurement: m, Name: "Current", Unit: "A", Outcome: o})
		}
	}
	return p
}

func TestOutcomeIsToldWhenItStands(t *testing.T) {
	pass, fail := derive.Pass, derive.Fail
	for _, tc := range []struct {
		name           string
		first, second  []derive.Outcome
		folded         bool // the first measurement's results
		words, at      string
		passes, failed bool // the second measurement's line tells so
	}{
		{"passes so far", []derive.Outcome{pass, pass}, []derive.Outcome{pass}, true, "2 results, all pass", "1 result so far", false, false},
		{"fails at once", []derive.Outcome{pass, fail}, []derive.Outcome{pass, fail}, false, "2 results: 1 pass, 1 fail", "2 results: 1 pass, 1 fail", false, true},
		{"nothing to judge", []derive.Outcome{derive.NoLimits}, []derive.Outcome{derive.ConditionalPass}, true, "1 result, " + outcomeWord(derive.NoLimits), "1 result so far", false, false},
	} {
		p := standingOf(tc.first, tc.second)
		if p.unfolded(0) == tc.folded || !p.unfolded(1) {
			t.Errorf("%s: open %t, at work %t", tc.name, p.unfolded(0), p.unfolded(1))
		}
		if a, b := p.summaryWords(0), p.summaryWords(1); a != tc.words || b != tc.at {
			t.Errorf("%s: %q and %q", tc.name, a, b)
		}
		line := render(t, RunLine(p, 1))
		if strings.Contains(line, "o-pass") != tc.passes || strings.Contains(line, "o-fail") != tc.failed {
			t.Errorf("%s: the measurement at work shows %s", tc.name, line)
		}
		p.Progress.Done[1] = true
		if o, told := p.verdict(1); !told || o != derive.Worst(tc.second...) {
			t.Errorf("%s: finished, it tells %q, %t", tc.name, o, told)
		}
	}
}

func TestLotFoldsWorstFirst(t *testing.T) {
	stats := []LotStat{{Measurement: "A", Passed: 4, Of: 4}, {Measurement: "B", Passed: 4, Of: 4}, {Measurement: "C", Passed: 1, Of: 4, Selected: true}, {Measurement: "A", Passed: 3, Of: 4}, {Measurement: "D"}}
	var got []string
	for _, g := range statGroups(stats) {
		open := ""
		if g.open {
			open = " open"
		}
		got = append(got, g.measurement+": "+g.words()+open)
	}
	want := []string{"C: 1 result, yield 25.0 % open", "A: 2 results, worst yield 75.0 %", "B: 1 result, yield 100 %", "D: 1 result"}
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestListsTellWhatIsNotOver(t *testing.T) {
	if got := (LotRow{Lot: "L"}).words(); got != "no unit finished yet" {
		t.Errorf("a lot without a finished unit: %q", got)
	}
	r := RunRow{Status: procedure.Running, Took: 24 * time.Minute}
	if got := r.tookWords(); got != "—" {
		t.Errorf("a run at work took %q", got)
	}
	if r.Status = procedure.Done; r.tookWords() != span(r.Took) {
		t.Errorf("a run that is over took %q", r.tookWords())
	}
}

// TestBrowserKeepsFolds: what the reader has opened or closed stays so; the
// rest folds and opens with the run. Folded results are printed.
func TestBrowserKeepsFolds(t *testing.T) {
	t.Parallel()
	p := standingOf([]derive.Outcome{derive.Pass}, []derive.Outcome{derive.Pass})
	s := newSite(t, map[string]templ.Component{"/": Run(p)})
	b := tab(t, s.URL)
	k := s.next()
	open := func(want string) {
		t.Helper()
		if got := eval[string](b, `[0, 1, 2].map((m) => document.getElementById("run-results-" + m).open ?? "none").join(" ")`); got != want {
			t.Errorf("open: %s, want %s", got, want)
		}
	}
	send := func(seq uint64, js string) {
		t.Helper()
		parts := map[string]templ.Component{}
		for m := range 3 {
			parts[PartRunResults(m)] = RunResults(p, m)
		}
		k.send(t, seq, parts)
		b.Until(js)
	}
	open("false true none")
	eval[bool](b, `(document.querySelector("#run-results-0 > summary").click(), true)`)
	p.Progress.Measurement, p.Progress.Done = 2, []bool{true, true, false}
	p.Results[2] = []procedure.Result{{Measurement: 2, Name: "Current", Outcome: derive.Pass}}
	send(50, `document.body.dataset.seq === "50"`)
	open("true false true") // opened by the reader, folded by the run, at work
	eval[bool](b, `(document.querySelector("#run-results-2 > summary").click(), true)`)
	p.Results[2] = append(p.Results[2], procedure.Result{Measurement: 2, Name: "Voltage", Outcome: derive.Fail})
	send(51, `document.body.dataset.seq === "51"`)
	open("true false false") // the reader has closed it
	shows := `document.querySelector("#run-results-1 table").checkVisibility()`
	if eval[bool](b, shows) {
		t.Error("a folded table shows: the test proves nothing")
	}
	b.Medium("print")
	b.Until(shows) // on paper it shows
}

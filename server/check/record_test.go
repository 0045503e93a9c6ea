package check_test

import (
	"slices"
	"testing"

	"ohmkeep/server/check"
)

// TestRecord holds what a check says as a whole to the results of its steps.
func TestRecord(t *testing.T) {
	t.Parallel()
	good := func(s check.Step) check.StepResult { return check.StepResult{Step: s} }
	with := func(s check.Step, fault bool) check.StepResult {
		return check.StepResult{Step: s, Findings: []check.Finding{{Kind: check.NotMeasured, Fault: fault}}}
	}
	all := []check.StepResult{good(check.Channels), good(check.Empty), good(check.Plug), good(check.Numbers)}
	for name, c := range map[string]struct {
		put     []check.StepResult
		verdict check.Verdict
		skipped []check.Step
	}{
		"nothing done":                   {nil, check.NothingYet, []check.Step{check.Channels, check.Empty, check.Plug, check.Numbers}},
		"all good":                       {all, check.Good, nil},
		"all good, in another order":     {[]check.StepResult{all[3], all[1], all[2], all[0]}, check.Good, nil},
		"one step alone":                 {all[1:2], check.Partly, []check.Step{check.Channels, check.Plug, check.Numbers}},
		"something untold":               {append(slices.Clone(all[:3]), with(check.Numbers, false)), check.Partly, nil},
		"a fault":                        {append(slices.Clone(all[:3]), with(check.Numbers, true)), check.Faulty, nil},
		"a fault, and the rest undone":   {[]check.StepResult{with(check.Empty, true)}, check.Faulty, []check.Step{check.Channels, check.Plug, check.Numbers}},
		"a fault that was mended":        {append(slices.Clone(all), with(check.Plug, true), good(check.Plug)), check.Good, nil},
		"a fault that came the 2nd time": {append(slices.Clone(all), with(check.Plug, true)), check.Faulty, nil},
	} {
		rec := &check.Record{}
		for _, s := range c.put {
			rec.Put(s)
		}
		var skipped []check.Step
		for _, info := range rec.Skipped() {
			skipped = append(skipped, info.Step)
		}
		if rec.Verdict() != c.verdict || !slices.Equal(skipped, c.skipped) {
			t.Errorf("%s: %s, without %v; want %s without %v", name, rec.Verdict(), skipped, c.verdict, c.skipped)
		}
		if !slices.IsSortedFunc(rec.Steps, func(a, b check.StepResult) int { return place(a.Step) - place(b.Step) }) {
			t.Errorf("%s: the steps are out of order: %v", name, rec.Steps)
		}
		for _, s := range c.put {
			if rec.Result(s.Step) == nil {
				t.Errorf("%s: %s is not found", name, s.Step)
			}
		}
	}
}

func place(s check.Step) int {
	return slices.IndexFunc(check.Steps(), func(x check.StepInfo) bool { return x.Step == s })
}

// TestPutKeepsOthersResults: a record that was handed out before a step is done again
// does not change beneath its holder.
func TestPutKeepsOthersResults(t *testing.T) {
	t.Parallel()
	rec := &check.Record{}
	rec.Put(check.StepResult{Step: check.Empty, Readings: 1})
	rec.Put(check.StepResult{Step: check.Plug, Readings: 2})
	held := rec.Steps
	rec.Put(check.StepResult{Step: check.Empty, Readings: 3})
	if held[0].Readings != 1 || held[1].Readings != 2 || rec.Result(check.Empty).Readings != 3 {
		t.Errorf("held %+v, now %+v", held, rec.Steps)
	}
}

// TestStepsSayEverything: each step is found by its name and says what it needs, what
// it tells and what is not known without it.
func TestStepsSayEverything(t *testing.T) {
	t.Parallel()
	for _, info := range check.Steps() {
		got, ok := check.InfoOf(info.Step)
		if !ok || got != info {
			t.Errorf("%s is not found: %+v", info.Step, got)
		}
		for _, words := range []string{info.Title, info.Socket, info.Tells, info.WithoutIt, info.Model} {
			if words == "" {
				t.Errorf("%s leaves something out: %+v", info.Step, info)
			}
		}
	}
	if _, ok := check.InfoOf("polish"); ok {
		t.Error("a step that there is none of is found")
	}
}

package standing_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/procedure"
	"ohmkeep/server/standing"
)

// drawnChecks draws checks of two benches around noon, some of them damaged, some of
// whose steps found a poor contact that the run used, or one that it did not.
func drawnChecks(rng *rand.Rand) []standing.Check {
	var out []standing.Check
	for i := range rng.IntN(7) {
		var steps []standing.Step
		for _, info := range check.Steps() {
			switch rng.IntN(6) {
			case 0:
			case 1:
				steps = append(steps, found(info.Step, check.Finding{Kind: check.PoorContact, Contacts: []int{1 + rng.IntN(6)}}))
			case 2:
				steps = append(steps, standing.Step{Step: info.Step, Untold: []string{"Not told."}})
			default:
				steps = append(steps, standing.Step{Step: info.Step})
			}
		}
		c := done(fmt.Sprint("c", i), float64(rng.IntN(60)-40), append(steps, standing.Step{Step: check.Empty})[:max(1, len(steps))]...)
		c.Serial = fmt.Sprint(1 + rng.IntN(2))
		if rng.IntN(8) == 0 {
			c.Damaged, c.Steps = true, nil
		}
		out = append(out, c)
	}
	return out
}

// standsBehind says the badge of a run at noon on bench 1 as the words of the package
// have it, by looking through all checks: doubtful where the last result of a step
// before it or the first after it found a contact that it used; due where a step was
// not done before it, is older than a day, could not tell, or a check beside it is
// damaged; checked otherwise.
func standsBehind(checks []standing.Check) standing.Badge {
	ofIt := func(c *standing.Check) bool { return c.Serial == "1" || c.Damaged }
	someSound := slices.ContainsFunc(checks, func(c standing.Check) bool { return c.Serial == "1" && !c.Damaged })
	due, doubtful := false, false
	for _, info := range check.Steps() {
		var before, after *standing.Step
		for i := range checks {
			for k := range checks[i].Steps {
				s := &checks[i].Steps[k]
				switch {
				case s.Step != info.Step || !ofIt(&checks[i]):
				case !s.Ended.After(noon) && (before == nil || !s.Ended.Before(before.Ended)):
					before = s
				case s.Ended.After(noon) && (after == nil || s.Ended.Before(after.Ended)):
					after = s
				}
			}
		}
		due = due || before == nil || noon.Sub(before.Ended) > 24*time.Hour || len(before.Untold) > 0
		for _, s := range []*standing.Step{before, after} {
			doubtful = doubtful || s != nil && slices.ContainsFunc(s.Faults, func(f check.Finding) bool { return f.Contacts[0] <= 3 })
		}
	}
	var last, next *standing.Check
	for i := range checks {
		c := &checks[i]
		switch {
		case !ofIt(c) || !someSound:
		case !c.At.After(noon) && (last == nil || c.At.After(last.At) || c.At.Equal(last.At) && c.ID > last.ID):
			last = c
		case c.At.After(noon) && (next == nil || c.At.Before(next.At) || c.At.Equal(next.At) && c.ID < next.ID):
			next = c
		}
	}
	due = due || last != nil && last.Damaged || next != nil && next.Damaged
	switch {
	case doubtful:
		return standing.Doubtful
	case due:
		return standing.Due
	}
	return standing.Checked
}

// TestBadgeOfAnyHistory holds the badge, found by bisection in ordered checks, to the
// plain reading of all of them, whatever was checked and in whatever order it is given.
func TestBadgeOfAnyHistory(t *testing.T) {
	t.Parallel()
	badges := map[standing.Badge]int{}
	for seed := range uint64(3000) {
		rng := rand.New(rand.NewPCG(seed, 5))
		checks := drawnChecks(rng)
		want := standsBehind(checks)
		badges[want]++
		// Two of one time are told apart by their ids, and not by their order.
		times := map[time.Time]bool{}
		alike := slices.ContainsFunc(checks, func(c standing.Check) bool { was := times[c.At]; times[c.At] = true; return was })
		for range 2 {
			got, err := standing.NewTimeline(checks).Of(&standing.Run{Started: noon, Serial: "1", Built: "one", Use: used}, 0)
			if err != nil || got.Badge != want && !alike {
				t.Fatalf("seed %d: %v: %s: %s; want %s of %+v", seed, err, got.Badge, got.Said, want, checks)
			}
			if got.Said == "" || strings.Contains(got.Said, "..") || strings.Contains(got.Said, "  ") {
				t.Errorf("seed %d: %q", seed, got.Said)
			}
			rng.Shuffle(len(checks), func(i, k int) { checks[i], checks[k] = checks[k], checks[i] })
		}
	}
	if badges[standing.Checked] < 20 || badges[standing.Due] < 200 || badges[standing.Doubtful] < 200 {
		t.Errorf("drawn too much alike: %v", badges)
	}
}

func TestCheckOf(t *testing.T) {
	t.Parallel()
	rec := &check.Record{ID: "c9", Identity: bench.Identity{Serial: "44"}, Built: "one"}
	rec.Put(check.StepResult{Step: check.Plug, Ended: noon, Findings: []check.Finding{{Kind: check.NotMeasured, Said: "No."}, {Kind: check.PoorContact, Fault: true, Contacts: []int{2}}}})
	rec.Put(check.StepResult{Step: check.Empty, Ended: noon.Add(-time.Hour)})
	c := standing.CheckOf(rec, noon)
	if c.ID != "c9" || c.Serial != "44" || c.Built != "one" || c.Verdict != check.Faulty || !c.At.Equal(noon) || c.Damaged || len(c.Steps) != 2 {
		t.Fatalf("%+v", c)
	}
	plug := c.Steps[1]
	if plug.Step != check.Plug || !plug.Ended.Equal(noon) || !slices.Equal(plug.Untold, []string{"No."}) || len(plug.Faults) != 1 || plug.Faults[0].Contacts[0] != 2 {
		t.Errorf("%+v", plug)
	}
	if got := c.Steps[0]; got.Step != check.Empty || len(got.Untold)+len(got.Faults) > 0 {
		t.Errorf("%+v", got)
	}
}

func TestLastGood(t *testing.T) {
	t.Parallel()
	at := func(hours float64, id string, v check.Verdict) standing.Check {
		c := done(id, hours)
		c.Verdict = v
		return c
	}
	damaged := at(-1, "c5", check.Good)
	damaged.Damaged = true
	other := at(-0.5, "c6", check.Good)
	other.Serial = "2"
	line := standing.NewTimeline([]standing.Check{at(-2, "c4", check.Faulty), damaged, at(-5, "c1", check.Good), at(-3, "c3", check.Partly), at(-4, "c2", check.Good), other})
	for serial, want := range map[string]time.Time{"1": noon.Add(-4 * time.Hour), "2": noon.Add(-30 * time.Minute), "3": {}} {
		if got := line.LastGood(serial); !got.Equal(want) {
			t.Errorf("bench %s: %v, not %v", serial, got, want)
		}
	}
	if got := standing.NewTimeline(nil).LastGood("1"); !got.IsZero() {
		t.Errorf("without checks: %v", got)
	}
}

// TestLooks: the checks beside a run are named, a damaged one without a verdict, and
// it puts no runs in doubt since nothing of it is believed.
func TestLooks(t *testing.T) {
	t.Parallel()
	damaged := done("c2", 2)
	damaged.Damaged, damaged.Steps = true, nil
	line := standing.NewTimeline([]standing.Check{done("c1", -1), damaged, done("c3", 3)})
	got, err := line.Of(&standing.Run{Started: noon, Serial: "1", Built: "one", Use: used}, time.Hour)
	if err != nil || got.Before == nil || got.After == nil {
		t.Fatalf("%+v, %v", got, err)
	}
	if *got.Before != (standing.Look{Check: "c1", At: noon.Add(-time.Hour), Verdict: check.Good}) || *got.After != (standing.Look{Check: "c2", At: noon.Add(2 * time.Hour)}) {
		t.Errorf("%+v, %+v", got.Before, got.After)
	}
	if got.Badge != standing.Due || !strings.Contains(got.Said, "What is stored of the first check after this run is damaged.") {
		t.Errorf("%s: %s", got.Badge, got.Said)
	}
	if _, some := line.Since("c2"); some {
		t.Error("a damaged check puts runs in doubt")
	}
	if _, some := line.Since("c99"); some {
		t.Error("a check that there is none of puts runs in doubt")
	}
	// Exactly at the instant of a step, it was done before the run.
	at, err := line.Of(&standing.Run{Started: noon.Add(-time.Hour), Serial: "1", Built: "one", Use: used}, 0)
	if err != nil || at.Before == nil || at.Before.Check != "c1" || !strings.Contains(at.Said, "less than 2 minutes old") && at.Badge != standing.Due {
		t.Errorf("%+v, %v", at, err)
	}
}

// TestSaysOfManyFaults: three findings that touch a run are said, the rest is counted,
// and so are those that touch nothing.
func TestSaysOfManyFaults(t *testing.T) {
	t.Parallel()
	poor := func(c int) check.Finding {
		return check.Finding{Kind: check.PoorContact, Contacts: []int{c}, Said: fmt.Sprintf("Contact %d is poor", c)}
	}
	wide := func() (*procedure.BenchUse, error) {
		u, err := used()
		for c := 1; c <= 9; c++ {
			u.Held[c], u.Contacts[c] = true, true
		}
		return u, err
	}
	for name, c := range map[string]struct {
		faults []check.Finding
		has    []string
		not    string
	}{
		"five that touch": {[]check.Finding{poor(1), poor(2), poor(3), poor(4), poor(5)}, []string{"Contact 3 is poor. This run used contact 3.", "And 2 more findings touch it."}, "Contact 4"},
		"three":           {[]check.Finding{poor(1), poor(2), poor(3)}, []string{"Contact 3 is poor."}, "more findings"},
		"three elsewhere": {[]check.Finding{poor(40), poor(41), poor(42)}, []string{"Found where this run used nothing: Contact 40 is poor.", "And 2 more of that kind."}, "Contact 41"},
		"many contacts":   {[]check.Finding{{Kind: check.WrongContact, Contacts: []int{9, 3, 3, 1, 2, 4, 5, 6}, Said: "Wires."}}, []string{"This run used 7 of its contacts."}, ""},
		"two contacts":    {[]check.Finding{{Kind: check.WrongContact, Contacts: []int{9, 3}, Said: "Wires."}}, []string{"This run used contacts 3 and 9."}, ""},
		"a multiplexer":   {[]check.Finding{{Kind: check.EnableFloats, Mux: "near", Said: "It floats."}}, []string{"This run used multiplexer near."}, ""},
		"a path":          {[]check.Finding{{Kind: check.StuckOpen, Paths: []bench.PathID{11}, Said: "Open."}}, []string{"This run used that path."}, ""},
		"a channel":       {[]check.Finding{{Kind: check.ChannelDisagrees, Channels: []bench.ChannelID{1}, Said: "Off."}}, []string{"This run used that channel."}, ""},
		"joined lines": {[]check.Finding{{Kind: check.StuckClosed, Contacts: []int{40}, Channels: []bench.ChannelID{1}, Said: "Stuck."},
			{Kind: check.EnableFloats, Mux: "far", Contacts: []int{40}, Channels: []bench.ChannelID{2}, Said: "Floats."}}, []string{"a channel whose line is joined with another there"}, ""},
		"stuck, and open at the same contact": {[]check.Finding{{Kind: check.StuckClosed, Contacts: []int{40}, Channels: []bench.ChannelID{1}, Said: "Stuck."},
			{Kind: check.OpenContact, Contacts: []int{40}, Said: "Open."}}, []string{"Found where this run used nothing: Stuck."}, "joined"},
	} {
		line := standing.NewTimeline([]standing.Check{done("c1", -1), done("c2", 1, found(check.Plug, c.faults...))})
		got, err := line.Of(&standing.Run{Started: noon, Serial: "1", Built: "one", Use: wide}, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, has := range c.has {
			if !strings.Contains(got.Said, has) {
				t.Errorf("%s: %q lacks %q", name, got.Said, has)
			}
		}
		if c.not != "" && strings.Contains(got.Said, c.not) {
			t.Errorf("%s: %q has %q", name, got.Said, c.not)
		}
	}
}

// TestAges are said in the unit that fits.
func TestAges(t *testing.T) {
	t.Parallel()
	for hours, said := range map[float64]string{0.01: "less than 2 minutes", 0.5: "30 minutes", 1.99: "119 minutes", 2: "2 hours", 47.9: "47 hours", 100: "4 days"} {
		line := standing.NewTimeline([]standing.Check{done("c1", -hours)})
		got, err := line.Of(&standing.Run{Started: noon, Serial: "1", Built: "one", Use: used}, 200*time.Hour)
		if err != nil || got.Badge != standing.Checked || !strings.Contains(got.Said, "its oldest step was "+said+" old") {
			t.Errorf("%g hours: %s: %s, %v", hours, got.Badge, got.Said, err)
		}
	}
}

// TestBuiltNotKnown: a check or a run of which is not known how the bench was built is
// no sign that it was built otherwise.
func TestBuiltNotKnown(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		check, run string
		want       standing.Badge
	}{{"one", "one", standing.Checked}, {"", "one", standing.Checked}, {"one", "", standing.Checked}, {"", "", standing.Checked}, {"one", "two", standing.Due}} {
		before := done("c1", -1)
		before.Built = c.check
		got, err := standing.NewTimeline([]standing.Check{before}).Of(&standing.Run{Started: noon, Serial: "1", Built: c.run, Use: used}, 0)
		if err != nil || got.Badge != c.want {
			t.Errorf("check of %q, run of %q: %s: %s, %v", c.check, c.run, got.Badge, got.Said, err)
		}
	}
}

package standing_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/procedure"
	"ohmkeep/server/standing"
)

var noon = time.Date(2030, 1, 31, 12, 0, 0, 0, time.UTC)

// done is a check of bench "1" whose steps ended so many hours after noon.
func done(id string, hours float64, steps ...standing.Step) standing.Check {
	at := noon.Add(time.Duration(hours * float64(time.Hour)))
	c := standing.Check{ID: id, At: at, Serial: "1", Built: "one"}
	if len(steps) == 0 {
		for _, info := range check.Steps() {
			steps = append(steps, standing.Step{Step: info.Step})
		}
		c.Verdict = check.Good
	}
	for _, s := range steps {
		s.Ended = at
		c.Steps = append(c.Steps, s)
	}
	return c
}

// found is a step that found faults.
func found(s check.Step, faults ...check.Finding) standing.Step {
	for i := range faults {
		faults[i].Fault = true
		if faults[i].Said == "" {
			faults[i].Said = "Something is wrong."
		}
	}
	return standing.Step{Step: s, Faults: faults}
}

// used is a run on contacts 1 to 3 by channel 1 and path 11, with a pin on contact
// 4 that nothing is led to.
func used() (*procedure.BenchUse, error) {
	return &procedure.BenchUse{
		Contacts: map[int]bool{1: true, 2: true, 3: true, 4: true}, Held: map[int]bool{1: true, 2: true, 3: true},
		Paths: map[bench.PathID]bool{11: true}, Channels: map[bench.ChannelID]bool{1: true}, Muxes: map[string]bool{"near": true},
	}, nil
}

func TestBadges(t *testing.T) {
	t.Parallel()
	poor := func(contact int) check.Finding {
		return check.Finding{Kind: check.PoorContact, Contacts: []int{contact}, Said: "A contact is poor."}
	}
	ofOther := done("c1", -1)
	ofOther.Serial = "2"
	damaged := done("c2", -0.5)
	damaged.Damaged, damaged.Steps = true, nil
	rebuilt := done("c1", -1)
	rebuilt.Built = "two"
	for name, c := range map[string]struct {
		checks []standing.Check
		want   standing.Badge
		said   string // that stands in the sentence
	}{
		"no check":                      {nil, standing.Due, "No check of this bench stands before this run."},
		"a good one":                    {[]standing.Check{done("c1", -1)}, standing.Checked, "oldest step was 60 minutes old. No check has come after it yet."},
		"just as old as counts":         {[]standing.Check{done("c1", -24)}, standing.Checked, "24 hours"},
		"too old":                       {[]standing.Check{done("c1", -24.1)}, standing.Due, "The check before this run was more than 24 hours old, and one counts for 24 hours."},
		"of another bench":              {[]standing.Check{ofOther}, standing.Due, "No check of this bench"},
		"of the bench otherwise built":  {[]standing.Check{rebuilt}, standing.Due, "definition has changed"},
		"only one after":                {[]standing.Check{done("c1", 1)}, standing.Due, "What was checked after it found nothing"},
		"good before and after":         {[]standing.Check{done("c1", -1), done("c2", 1)}, standing.Checked, "What was checked after it found nothing that touches it."},
		"two steps":                     {[]standing.Check{done("c1", -1, standing.Step{Step: check.Channels}, standing.Step{Step: check.Empty})}, standing.Due, "Not done before this run: shorting plug, numbered plug."},
		"the whole and then two steps":  {[]standing.Check{done("c1", -20), done("c2", -1, standing.Step{Step: check.Channels}, standing.Step{Step: check.Empty})}, standing.Checked, "oldest step was 20 hours"},
		"a fault before":                {[]standing.Check{done("c1", -1, found(check.Plug, poor(2)))}, standing.Doubtful, "The check before this run found: A contact is poor. This run used contact 2."},
		"a fault after":                 {[]standing.Check{done("c1", -1), done("c2", 1, found(check.Plug, poor(2)))}, standing.Doubtful, "The check after this run found: A contact is poor."},
		"a fault after, long":           {[]standing.Check{done("c1", -1), done("c2", 1000, found(check.Plug, poor(2)))}, standing.Doubtful, "after"},
		"a fault that a good one ended": {[]standing.Check{done("c1", -2, found(check.Plug, poor(2))), done("c2", -1)}, standing.Checked, ""},
		"a fault of another step stays": {[]standing.Check{done("c1", -3), done("c2", -2, found(check.Plug, poor(2))), done("c3", -1, standing.Step{Step: check.Empty})}, standing.Doubtful, "poor"},
		"a good one before the fault":   {[]standing.Check{done("c1", -1), done("c2", 1), done("c3", 2, found(check.Plug, poor(2)))}, standing.Checked, ""},
		"a fault elsewhere":             {[]standing.Check{done("c1", -1), done("c2", 1, found(check.Plug, poor(40)))}, standing.Checked, "Found where this run used nothing: A contact is poor."},
		"only a fault elsewhere":        {[]standing.Check{done("c1", -1, found(check.Plug, poor(40)))}, standing.Due, "Found where this run used nothing"},
		"something untold":              {[]standing.Check{done("c1", -2), done("c2", -1, standing.Step{Step: check.Empty, Untold: []string{"Nothing could be told of P9"}})}, standing.Due, "could not tell everything: Nothing could be told of P9."},
		"a damaged one before":          {[]standing.Check{done("c1", -1), damaged}, standing.Due, "is damaged"},
	} {
		t.Run(name, func(t *testing.T) {
			slices.Reverse(c.checks) // in any order
			got, err := standing.NewTimeline(c.checks).Of(&standing.Run{Started: noon, Serial: "1", Built: "one", Use: used}, 0)
			if err != nil || got.Badge != c.want || !strings.Contains(got.Said, c.said) {
				t.Errorf("%v: %s: %s; want %s: %s", err, got.Badge, got.Said, c.want, c.said)
			}
		})
	}
}

// TestTouches: only what a run used of a fault makes it doubtful.
func TestTouches(t *testing.T) {
	t.Parallel()
	stuck := func(contact int, ch bench.ChannelID) check.Finding {
		return check.Finding{Kind: check.StuckClosed, Contacts: []int{contact}, Channels: []bench.ChannelID{ch}}
	}
	for name, c := range map[string]struct {
		faults []check.Finding
		want   bool
	}{
		"a contact that is held":                      {[]check.Finding{{Kind: check.OpenContact, Contacts: []int{40, 3}}}, true},
		"a poor contact of a pin that is left open":   {[]check.Finding{{Kind: check.PoorContact, Contacts: []int{4}}}, false},
		"a leaky one":                                 {[]check.Finding{{Kind: check.LeakyContact, Contacts: []int{4}}}, true},
		"a switch stuck at it":                        {[]check.Finding{stuck(4, 2)}, true},
		"a switch stuck at an empty contact":          {[]check.Finding{stuck(40, 1)}, false},
		"two stuck at an empty contact":               {[]check.Finding{stuck(40, 1), stuck(40, 2)}, true},
		"two stuck at an empty contact, other lines":  {[]check.Finding{stuck(40, 3), stuck(40, 2)}, false},
		"a floating multiplexer at one of its pins":   {[]check.Finding{{Kind: check.EnableFloats, Mux: "near", Contacts: []int{30}}}, true},
		"a floating multiplexer elsewhere":            {[]check.Finding{{Kind: check.EnableFloats, Mux: "far", Contacts: []int{30}}}, false},
		"a path that was closed":                      {[]check.Finding{{Kind: check.StuckOpen, Paths: []bench.PathID{11}, Contacts: []int{1}}}, true},
		"another path to the same contact":            {[]check.Finding{{Kind: check.PathResistance, Paths: []bench.PathID{12}, Contacts: []int{1}}}, false},
		"its channel":                                 {[]check.Finding{{Kind: check.ChannelDisagrees, Channels: []bench.ChannelID{1, 2}}}, true},
		"another channel":                             {[]check.Finding{{Kind: check.ChannelDisagrees, Channels: []bench.ChannelID{2}}}, false},
		"a channel, nobody knows which":               {[]check.Finding{{Kind: check.ChannelDisagrees}}, true},
		"a path, nobody knows which":                  {[]check.Finding{{Kind: check.StuckOpen}}, true},
		"a kind that this program does not know":      {[]check.Finding{{Kind: "another"}}, true},
		"exchanged contacts, one of them without pin": {[]check.Finding{{Kind: check.WrongContact, Contacts: []int{41, 2}}}, true},
	} {
		t.Run(name, func(t *testing.T) {
			line := standing.NewTimeline([]standing.Check{done("c1", -1), done("c2", 1, found(check.Empty, c.faults...))})
			got, err := line.Of(&standing.Run{Started: noon, Serial: "1", Use: used}, 0)
			if err != nil || (got.Badge == standing.Doubtful) != c.want {
				t.Errorf("%v: %s: %s", err, got.Badge, got.Said)
			}
		})
	}
}

// TestApart: of a run that checks do not speak of, nothing else is asked.
func TestApart(t *testing.T) {
	t.Parallel()
	got, err := standing.NewTimeline([]standing.Check{done("c1", -1)}).Of(&standing.Run{Started: noon, Serial: "1", Apart: "Brought."}, 0)
	if err != nil || got.Badge != standing.Untold || got.Said != "Brought." || got.Before != nil {
		t.Errorf("%+v, %v", got, err)
	}
	_, err = standing.NewTimeline([]standing.Check{done("c1", -1, found(check.Plug, check.Finding{}))}).Of(&standing.Run{Started: noon, Serial: "1",
		Use: func() (*procedure.BenchUse, error) { return nil, errors.New("the disk is gone") }}, 0)
	if err == nil {
		t.Error("what a run used is not known, and nobody says so")
	}
}

// TestSince: runs are in doubt from the last good result of each step that found a
// fault.
func TestSince(t *testing.T) {
	t.Parallel()
	fault := check.Finding{Kind: check.PoorContact}
	line := standing.NewTimeline([]standing.Check{
		done("c1", -30), done("c2", -20, standing.Step{Step: check.Empty}),
		done("c3", -10, found(check.Empty, fault), found(check.Plug, fault)), done("c4", -5, found(check.Empty, fault)),
	})
	for id, want := range map[string]time.Duration{"c3": -30, "c4": -20} {
		if from, some := line.Since(id); !some || !from.Equal(noon.Add(want*time.Hour)) {
			t.Errorf("%s: %v, %v", id, from, some)
		}
	}
	if _, some := line.Since("c1"); some {
		t.Error("a good check puts runs in doubt")
	}
	first := standing.NewTimeline([]standing.Check{done("c1", -1, found(check.Empty, fault))})
	if from, some := first.Since("c1"); !some || !from.IsZero() {
		t.Errorf("without a good check before it: %v, %v", from, some)
	}
}

package conformance

import (
	"testing"
	"time"

	"ohmkeep/server/talk"
)

// report fails the test for every finding that is no pass, but for skipped
// ones that are expected.
func report(t *testing.T, found []talk.Finding, mayBeSkipped func(talk.Finding) bool) {
	t.Helper()
	counts := map[talk.Verdict]int{}
	for _, f := range found {
		counts[f.Verdict]++
		if f.Verdict == talk.Fail {
			t.Errorf("%s: %s\n  expected %s\n  came     %s", f.Group, f.Title, f.Expected, f.Came)
			for _, e := range f.Events {
				t.Logf("    %s %q", e.Dir, e.Bytes)
			}
		}
		if f.Verdict == talk.Skipped && !mayBeSkipped(f) {
			t.Errorf("%s: %s was skipped: %s", f.Group, f.Title, f.Came)
		}
	}
	t.Logf("%d passed, %d failed, %d skipped", counts[talk.Pass], counts[talk.Fail], counts[talk.Skipped])
}

func TestEmulatedCardOverTCP(t *testing.T) {
	r := newRig(t, nil)
	start := time.Now()
	found, err := r.run()
	if err != nil {
		t.Error(err)
	}
	report(t, found, func(f talk.Finding) bool { return f.Group == "restart" })
	t.Logf("%d points in %v", len(found), time.Since(start))
}

func TestDebugTimes(t *testing.T) {
	r := newRig(t, nil)
	found, err := r.run()
	if err != nil {
		t.Error(err)
	}
	by := map[string]time.Duration{}
	for _, f := range found {
		by[f.Group] += f.Took
		if f.Took > 150*time.Millisecond {
			t.Log(f.Took, f.Group, f.Title)
		}
	}
	t.Log(by)
}

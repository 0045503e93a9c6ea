package web

import (
	"strings"
	"testing"
)

// A count that ended at a bound is never shown as the number of runs.
func TestHistorySaysHowFarItCounted(t *testing.T) {
	filtered := Form{Values: map[string][]string{"q": {"x"}}}
	for name, c := range map[string]struct {
		p    RunsProps
		want []string
	}{
		"all counted":   {RunsProps{Total: 1}, []string{">1 run<"}},
		"none at all":   {RunsProps{}, []string{">0 runs<", "Nothing has been run yet."}},
		"none found":    {RunsProps{Filter: filtered}, []string{">0 runs<", "No run is like that."}},
		"none so far":   {RunsProps{Filter: filtered, More: true, Older: "/runs?cursor=x"}, []string{"none among the newest runs", "go on from where", `href="/runs?cursor=x"`}},
		"bound reached": {RunsProps{Total: 10_000, More: true}, []string{"at least 10000 runs"}},
	} {
		var b strings.Builder
		if err := Runs(c.p).Render(t.Context(), &b); err != nil {
			t.Fatal(err)
		}
		for _, w := range c.want {
			if !strings.Contains(b.String(), w) {
				t.Errorf("%s: no %q", name, w)
			}
		}
	}
}

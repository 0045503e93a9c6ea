package demo

import (
	"flag"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
)

var (
	limitBenches = flag.Int("limits", 8, "benches drawn anew for each measurement of TestAtTheLimit; 2,000 for the figures")
	limitsOf     = flag.String("limits-of", "", "procedures and measurements of TestAtTheLimit that contain this, all if empty")
)

// atLimit counts the benches on which a part passes that is exactly at its limit,
// with that limit below (0) and above (1).
type atLimit struct {
	benches, passed [2]int
	constant        bool // errors that the same part has on every bench count: see constant
}

func (h *atLimit) add(side int, x procedure.Result) {
	h.benches[side]++
	if x.Outcome == derive.Pass {
		h.passed[side]++
	}
	h.constant = h.constant || x.Budget != nil && slices.ContainsFunc(x.Budget.Lines, func(l procedure.Line) bool {
		return constant(l, x.U)
	})
}

// constant reports whether a contribution is what is not known of the part, and no
// error of a bench: how it follows a level, what its curve does between points, its
// temperature, where a pin that is open sits. It is one and the same for all benches,
// so that the others fill what it leaves of U to one side, or to none, and it counts
// from a tenth of U on. A bound, which is added whole, counts from a hundredth on: the
// tail of a rectangular error is 0.026 of U.
func constant(l procedure.Line, u float64) bool {
	half := math.Sqrt(3) * math.Abs(l.Contribution)
	if l.Distribution == budget.Bounded.String() {
		return half > 0.01*u
	}
	return half > 0.1*u &&
		slices.Contains([]budget.Class{budget.Model, budget.HeldLevel, budget.ForcedLevel, budget.Temperature}, budget.Class(l.Class))
}

func (h *atLimit) join(o *atLimit) {
	for side := range h.benches {
		h.benches[side] += o.benches[side]
		h.passed[side] += o.passed[side]
	}
	h.constant = h.constant || o.constant
}

func (h *atLimit) share(side int) float64 { return float64(h.passed[side]) / float64(h.benches[side]) }

func (h *atLimit) String() string {
	with := ""
	if h.constant {
		with = "  with what is not known of the part"
	}
	return fmt.Sprintf("n %5d  pass at a limit below %4.1f %%  above %4.1f %%%s", h.benches[0]+h.benches[1], 100*h.share(0), 100*h.share(1), with)
}

// A part at its limit with a guard band w = U passes where the interval lies wholly
// on its good side: one tail of 95 %, 2.5 %, within 1 %.
const (
	leastPassed = 0.015
	mostPassed  = 0.035
)

// unlikely is the probability below which a count is not what its bar allows.
const unlikely = 1e-4

// misses lists on which side too many or too few pass for what a count over so many
// benches may be. Where a bound is in the interval whole, it holds more than 95 %,
// and fewer may pass.
func (h *atLimit) misses() (out []string) {
	for side, words := range []string{"below", "above"} {
		n, passed := float64(h.benches[side]), float64(h.passed[side])
		many := 1 - distuv.Binomial{N: n, P: mostPassed}.CDF(passed-1)
		few := distuv.Binomial{N: n, P: leastPassed}.CDF(passed)
		if passed > 0 && many < unlikely || !h.constant && few < unlikely {
			out = append(out, fmt.Sprintf("at a limit %s %.1f %% of %g pass, want 2.5 ± 1 %%", words, 100*h.share(side), n))
		}
	}
	return out
}

// TestAtTheLimit: of parts that are exactly at a limit, with a guard band w = U,
// 2.5 % pass, for every kind of measurement. The limit is what the same unit shows
// on an ideal bench.
func TestAtTheLimit(t *testing.T) {
	if testing.Short() {
		t.Skip("long: many rehearsals, one after the other")
	}
	s := Scenario()
	for _, c := range limitCases {
		name := c.procedure + "/" + c.id
		if !strings.Contains(name, *limitsOf) {
			continue
		}
		t.Run(name, func(t *testing.T) {
			p := *s.procedure(t, c.procedure)
			p.Guard, p.Risk, p.StopOnFail = 1, 0, false
			i := slices.IndexFunc(p.Measurements, func(m procedure.Measurement) bool { return m.ID == c.id })
			p.Measurements = slices.Clone(p.Measurements[i : i+1])
			p.Measurements[0].Pins = p.Measurements[0].Pins[:max(c.pins, 1)]
			all := passedAtLimit(t, p, *limitBenches)
			if len(all) == 0 {
				t.Error("no result")
			}
			for _, key := range slices.Sorted(maps.Keys(all)) {
				t.Logf("%-20s %v", key, all[key])
				for _, miss := range all[key].misses() {
					t.Errorf("%s: %s", key, miss)
				}
			}
		})
	}
}

// limitCases are measurements of every kind, with their first pin or pins.
var limitCases = []struct {
	procedure, id string
	pins          int // 0: one
}{
	{"dunmoss-8-resistances", "two-wire", 0},
	{"dunmoss-8-resistances", "four-wire", 0},
	{"dunmoss-8-resistances", "reversal", 0},
	{LotProcedure, "contact", 0},
	{LotProcedure, "shorts", 2},
	{LotProcedure, "leakage", 0},
	{"quorrel-2-followers", "leakage-1", 0},
	{LotProcedure, "supply", 0},
	{"quorrel-2-followers", "supply", 0},
	{"quorrel-2-followers", "follow", 0},
	{"quorrel-2-followers", "follow-low", 0},
	{LotProcedure, "output-high", 0},
	{LotProcedure, "output-low-1", 0},
	{"quorrel-2-followers", "source", 0},
	{LotProcedure, "threshold-1", 0},
	{LotProcedure, "diode-upper", 0},
	{LotProcedure, "output-curves", 0},
	{LotProcedure, "watch", 0},
}

// benchesOfLimit is the number of benches that one unit is measured on: as many
// with its limits below as above.
const benchesOfLimit = 16

// passedAtLimit carries a procedure of one measurement out on so many benches, with
// units at their limits, and counts how many pass by each result of one pin.
func passedAtLimit(t *testing.T, p procedure.Procedure, benches int) map[string]*atLimit {
	all := map[string]*atLimit{}
	var mu sync.Mutex
	t.Run("units", func(t *testing.T) {
		for unit := range (benches + benchesOfLimit - 1) / benchesOfLimit {
			t.Run(fmt.Sprint(unit), func(t *testing.T) {
				t.Parallel()
				of := unitAtLimit(t, p, uint64(unit))
				mu.Lock()
				defer mu.Unlock()
				for key, h := range of {
					if all[key] == nil {
						all[key] = &atLimit{}
					}
					all[key].join(h)
				}
			})
		}
	})
	return all
}

func unitAtLimit(t *testing.T, p procedure.Procedure, unit uint64) map[string]*atLimit {
	u := LotUnit{Serial: "l", Seed: 17_000 + unit}
	w := rehearsal.ServedWorld()
	w.Ambient = room(unit)
	truth := truths(t, p, u, w.Ambient)
	// A limit is one for all pins and groups of a key: it is that of the first.
	first := map[string]procedure.ResultID{}
	sides := [2]limits{{}, {}}
	for _, id := range slices.SortedFunc(maps.Keys(truth), func(a, b procedure.ResultID) int {
		return strings.Compare(fmt.Sprintf("%03d %s", a.Pin, a.Group), fmt.Sprintf("%03d %s", b.Pin, b.Group))
	}) {
		if _, has := first[id.Key]; !has {
			first[id.Key], sides[0][id.Key], sides[1][id.Key] = id, atLeast(truth[id]), atMost(truth[id])
		}
	}
	out := map[string]*atLimit{}
	for k := range uint64(benchesOfLimit) {
		side := int(k % 2)
		p.Measurements = []procedure.Measurement{p.Measurements[0]}
		p.Measurements[0].Limits = sides[side]
		got := carryOutIn(t, p, &w, 19_000+unit*benchesOfLimit+k, u)
		for _, x := range got.held.Results {
			if first[x.Key] != x.ID() || x.U == 0 || untold[p.Measurements[0].Kind+"/"+x.Key] != "" {
				continue
			}
			if out[x.Key] == nil {
				out[x.Key] = &atLimit{}
			}
			out[x.Key].add(side, x)
		}
	}
	return out
}

// TestLoadsAtTheLimit: the same of check loads, by every method.
func TestLoadsAtTheLimit(t *testing.T) {
	if testing.Short() {
		t.Skip("long: many rehearsals, one after the other")
	}
	for _, l := range loads {
		t.Run(l.String(), func(t *testing.T) {
			t.Parallel()
			for _, wiring := range loadWirings {
				r := l.rig(t, wiring)
				all := make([]atLimit, len(wiring.methods))
				for k := range *loadBenches {
					truth := r.draw(t, rehearsal.ServedWorld(), 500_000+uint64(k))
					side := k % 2
					for i := range wiring.methods {
						r.record.Procedure.Measurements[i].Limits = limits{"resistance": []procedure.Limit{atLeast(truth), atMost(truth)}[side]}
					}
					for _, x := range r.measure(t) {
						if x.Key == "resistance" {
							all[x.Measurement].add(side, x)
						}
					}
				}
				for i, method := range wiring.methods {
					t.Logf("%-28s %v", string(method)+wiring.name, &all[i])
					for _, miss := range all[i].misses() {
						t.Errorf("%s, %s%s: %s", l, method, wiring.name, miss)
					}
				}
			}
		})
	}
}

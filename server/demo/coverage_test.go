package demo

import (
	"flag"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
)

var (
	coverageRuns = flag.Int("coverage", 2, "benches drawn anew for each procedure in TestCoverage; from 100 on each result must hold its bar, 1,000 for the figures")
	corrections  = flag.Bool("coverage-corrected", false, "the benches of TestCoverage use the corrections of their paths that a check of them gives")
	coverageOf   = flag.String("coverage-of", "", "procedures and measurements of TestCoverage that contain this, all if empty")
)

// ideal is a bench that shows a unit as it is, and says so: nothing is
// subtracted that is not there. With leakage, pins that are left open sit where
// leakage brings them: a contact test leaves the inputs open.
func ideal(leakage, ambient float64) (bench.Definition, *bench.World) {
	w := rehearsal.IdealWorld()
	w.Leakage, w.Ambient = leakage, ambient
	def := perfect()
	for i := range def.Channels {
		def.Channels[i].SourceR = 0
	}
	for i := range def.Paths {
		def.Paths[i].Resistance, def.Paths[i].Leakage = 0, leakage*def.Paths[i].Leakage
	}
	return def, &w
}

// untold are results that the ideal bench has no truth for, with the reason and
// the test that holds them against another.
var untold = map[string]string{
	"watch/sd":              "an ideal bench has no noise: TestWatchNoise",
	"watch/allan-deviation": "an ideal bench has no noise: TestWatchNoise",
}

// TestCoverage holds the intervals of every result of the scenario's procedures
// against the same unit on an ideal bench, over units, rooms and benches drawn
// anew.
func TestCoverage(t *testing.T) {
	if testing.Short() {
		t.Skip("long: many rehearsals, one after the other")
	}
	for _, p := range Scenario().Procedures {
		if *coverageOf != "" {
			p.Measurements = slices.DeleteFunc(slices.Clone(p.Measurements), func(m procedure.Measurement) bool {
				return !strings.Contains(p.Key+"/"+m.ID, *coverageOf)
			})
		}
		if len(p.Measurements) == 0 {
			continue
		}
		t.Run(p.Key, func(t *testing.T) {
			all := coverage(t, p, *coverageRuns)
			missed, intervals := 0, 0
			for _, key := range slices.Sorted(maps.Keys(all)) {
				h := all[key]
				f := h.figures()
				t.Logf("%-55s %v", key, f)
				missed, intervals = missed+h.above+h.below, intervals+f.n
				switch {
				case *coverageRuns >= 100:
					for _, words := range f.misses(*coverageRuns, barsOf()) {
						t.Errorf("%s: %s", key, words)
					}
				case *coverageRuns >= 4 && f.share < 0.5: // no result may be wrong more often than right
					t.Errorf("%s: %.1f %% of the intervals hold the truth", key, 100*f.share)
				}
			}
			// Of few benches the results miss together.
			if share := 1 - float64(missed)/float64(intervals); share < 0.85 {
				t.Errorf("%.1f %% of all intervals hold the truth", 100*share)
			}
		})
	}
}

// barsOf are the bars of the benches that were asked for.
func barsOf() bars {
	if *corrections {
		return withCorrections
	}
	return stated
}

// alikeID is what tells measurements apart that are the same of equal gates: their
// results count together.
var alikeID = regexp.MustCompile(`-[0-9]+$`)

// benchesOfUnit is the number of benches that one unit is measured on.
const benchesOfUnit = 4

// coverage carries a procedure out on so many benches, and tallies each of its
// results.
func coverage(t *testing.T, p procedure.Procedure, benches int) map[string]*tally {
	all := map[string]*tally{}
	var mu sync.Mutex
	t.Run("units", func(t *testing.T) {
		for unit := range (benches + benchesOfUnit - 1) / benchesOfUnit {
			t.Run(fmt.Sprint(unit), func(t *testing.T) {
				t.Parallel()
				of := coverageOfUnit(t, p, uint64(unit), min(benchesOfUnit, benches-unit*benchesOfUnit))
				mu.Lock()
				defer mu.Unlock()
				for key, h := range of {
					if all[key] == nil {
						all[key] = &tally{}
					}
					all[key].join(h)
				}
			})
		}
	})
	return all
}

// room is a temperature, °C, as it is assumed where no condition states one: the
// temperature of a unit's benches.
func room(unit uint64) float64 {
	return 25 + 5*(2*rand.New(rand.NewPCG(unit, 25)).Float64()-1)
}

func coverageOfUnit(t *testing.T, p procedure.Procedure, unit uint64, benches int) map[string]*tally {
	u := LotUnit{Serial: "c", Seed: 7000 + unit}
	w := rehearsal.ServedWorld()
	w.Ambient = room(unit)
	truth := truths(t, p, u, w.Ambient)
	s, out := Scenario(), map[string]*tally{}
	for k := range benches {
		seed, def := 9000+unit*benchesOfUnit+uint64(k), rehearsal.DefaultBench()
		if *corrections {
			def = corrected(t, &w, seed)
		}
		got := carryOutWith(t, p, def, *s.pinMap(t, p.Device), &w, seed, u)
		for _, x := range got.held.Results {
			v, ok := truth[x.ID()]
			m := got.held.Record.Procedure.Measurements[x.Measurement]
			if !ok || x.U == 0 || untold[m.Kind+"/"+x.Key] != "" {
				continue
			}
			key := m.Kind + "/" + alikeID.ReplaceAllString(m.ID, "") + "/" + x.Key
			if out[key] == nil {
				out[key] = &tally{}
			}
			out[key].add(x.Value, x.U, x.From, x.To, v)
		}
	}
	return out
}

// truths are the results of a unit on ideal benches at a temperature, °C. An
// ideality is taken with the temperature that is assumed, so its truth is that at
// just this temperature.
func truths(t *testing.T, p procedure.Procedure, u LotUnit, ambient float64) map[procedure.ResultID]float64 {
	truth := map[procedure.ResultID]float64{}
	for _, at := range []struct{ leakage, ambient float64 }{{0, ambient}, {1, ambient}, {0, 25}} {
		of := p
		if at.ambient != ambient {
			of.Measurements = slices.DeleteFunc(slices.Clone(p.Measurements), func(m procedure.Measurement) bool { return m.Kind != "sweep" })
		}
		if at.leakage != 0 {
			of.Measurements = slices.DeleteFunc(slices.Clone(p.Measurements), func(m procedure.Measurement) bool { return m.Kind != "contact" })
		}
		if len(of.Measurements) == 0 {
			continue
		}
		for id, x := range idealResults(t, of, u, at.leakage, at.ambient) {
			id.Measurement = slices.IndexFunc(p.Measurements, func(m procedure.Measurement) bool { return m.ID == of.Measurements[id.Measurement].ID })
			if (p.Measurements[id.Measurement].Kind == "contact") == (at.leakage != 0) && (id.Key == "ideality") == (at.ambient == 25) {
				truth[id] = x
			}
		}
	}
	return truth
}

// idealResults are the results of a unit on one ideal bench.
func idealResults(t *testing.T, p procedure.Procedure, u LotUnit, leakage, ambient float64) map[procedure.ResultID]float64 {
	def, w := ideal(leakage, ambient)
	s := Scenario()
	r := carryOutWith(t, p, def, *s.pinMap(t, p.Device), w, 1, u)
	if fine, has := finer(p, r.held.Results); has && leakage == 0 {
		r = carryOutWith(t, fine, def, *s.pinMap(t, p.Device), w, 1, u)
	}
	out := map[procedure.ResultID]float64{}
	for _, x := range r.held.Results {
		out[x.ID()] = x.Value
	}
	return out
}

// finer is the procedure with time for every output to follow, and with fifty
// times as fine a sweep around each threshold that was found: a threshold is
// known to a step of its sweep, and the truth must be known better than what is
// held against it. has says whether there is any.
func finer(p procedure.Procedure, found []procedure.Result) (fine procedure.Procedure, has bool) {
	p.Measurements = slices.Clone(p.Measurements)
	for i := range p.Measurements {
		m := &p.Measurements[i]
		if m.Kind != "threshold" {
			continue
		}
		has = true
		step := (m.Sweep.To - m.Sweep.From) / float64(m.Sweep.Points-1)
		levels := procedure.Sweep{Spacing: procedure.List, Back: true}
		for k := range m.Sweep.Points {
			x := m.Sweep.At(k)
			levels.List = append(levels.List, x)
			if slices.ContainsFunc(found, func(r procedure.Result) bool {
				return r.Measurement == i && r.Key != "hysteresis" && math.Abs(r.Value-x-step/2) < 1.6*step
			}) && k < m.Sweep.Points-1 {
				for f := 1; f < 50; f++ {
					levels.List = append(levels.List, x+step*float64(f)/50)
				}
			}
		}
		m.Sweep, m.Settle = &levels, settleSlow
	}
	return p, has
}

// coarse is the default bench.
func coarse() bench.Definition { return rehearsal.DefaultBench() }

package demo

import (
	"flag"
	"fmt"
	"math"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
)

// everyDefault has TestDefaultsHaveSettled try every kind on every device; without
// it a kind is tried on the first device that it is valid for, beside every draft.
var everyDefault = flag.Bool("everydefault", false, "TestDefaultsHaveSettled tries every default of every device")

// defaultsOf are the default procedures for a device on a bench: what is drafted
// for it, and for each kind of measurement a new one with the times of the bench.
// A kind's default that is not valid for the device or finds no channels is none.
func defaultsOf(t *testing.T, key string, def *bench.Definition, pm *bench.PinMap) []procedure.Procedure {
	s := Scenario()
	d := s.device(t, key)
	draft, _ := procedure.Draft(d, def, pm)
	out := []procedure.Procedure{draft}
	for _, k := range procedure.Kinds() {
		m := k.Default(d).Clone()
		m.Settle, m.Aperture = procedure.DefaultTimes(&m, d, pm, def)
		p := procedure.Procedure{Key: "new-" + k.Key(), Name: "New " + k.Title(), Device: key, Measurements: []procedure.Measurement{m}}
		if p.Validate(d) != nil {
			continue
		}
		if _, err := procedure.MakePlan(&p, d, pm, def, procedure.KindByKey); err != nil {
			continue
		}
		out = append(out, p)
	}
	return out
}

// TestDefaultsHaveSettled: no default procedure of any device has a result that ten
// times as long a wait on the same bench would move by more than its U. What
// differs from one reading to the next is switched off, so that nothing but the
// wait can move a result.
func TestDefaultsHaveSettled(t *testing.T) {
	if testing.Short() {
		t.Skip("long: many rehearsals, one after the other")
	}
	w := rehearsal.ServedWorld()
	w.Noise, w.Hum, w.Flicker, w.Thermal = 0, 0, 0, 0
	tried, held, untrusted := map[string]bool{}, 0, 0
	kinds := map[string]bool{}
	for _, d := range Scenario().Devices {
		s := Scenario()
		def := coarse()
		pm := s.pinMap(t, d.Key)
		if proposed, _, err := bench.Propose(&def, &d); d.Key == "averlock-48" && err == nil {
			pm = &proposed // its straps are those of the proposal
		}
		for _, p := range defaultsOf(t, d.Key, &def, pm) {
			if kinds[p.Key] && !*everyDefault {
				continue
			}
			kinds[p.Key] = strings.HasPrefix(p.Key, "new-") // a draft is each device's own
			t.Run(fmt.Sprintf("%s/%s", d.Key, p.Key), func(t *testing.T) {
				u := LotUnit{Serial: "defaults", Seed: 79}
				first := carryOutWith(t, p, def, *pm, &w, 5, u)
				p = p.Clone()
				for i := range p.Measurements {
					p.Measurements[i].Settle.Time *= 10
				}
				longer := map[procedure.ResultID]procedure.Result{}
				for _, x := range carryOutWith(t, p, def, *pm, &w, 5, u).held.Results {
					longer[x.ID()] = x
				}
				for _, x := range first.held.Results {
					tried[first.held.Record.Procedure.Measurements[x.Measurement].Kind] = true
					after, ok := longer[x.ID()]
					if !ok {
						t.Errorf("%s: there is no such result after a long wait", first.say(x))
						continue
					}
					held++
					if math.Abs(x.Value-after.Value) <= x.U {
						continue
					}
					if x.Outcome == derive.Untrusted || x.Outcome == derive.Invalid {
						untrusted++ // it says so itself
						t.Logf("%s; after ten times the wait %.6g", first.say(x), after.Value)
						continue
					}
					t.Errorf("%s; after ten times the wait %.6g", first.say(x), after.Value)
				}
			})
		}
	}
	for _, k := range procedure.Kinds() {
		if !tried[k.Key()] {
			t.Errorf("no default measurement of kind %s was tried", k.Key())
		}
	}
	least := 300
	if *everyDefault {
		least = 500
	}
	if held < least || untrusted > held/50 {
		t.Errorf("%d results, of which %d have moved and say of themselves that they cannot be trusted", held, untrusted)
	}
}

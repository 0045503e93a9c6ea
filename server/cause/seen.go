package cause

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// class is what a result looks like, whatever its kind of measurement.
type class int

const (
	sound class = iota
	knock       // invalid, since another pin did not reach its level
	off         // out of limits, or unlike its equals, in a way that says nothing
	low         // less than its equals, or a leakage
	more        // a resistance or voltage somewhat greater than that of its equals
	high        // far above what is allowed
	short       // nearly no voltage, or the current at its compliance
	open        // at the compliance of the voltage
	classes
)

// held is another pin that was connected while a pin was read.
type held struct {
	pin  int
	use  procedure.Use
	line bench.ChannelID // 0: the return
	path bench.PathID
}

// seen is what was seen of one pin in one measurement.
type seen struct {
	measurement, pin int
	kind             string
	powered          bool
	by               []procedure.ServedBy
	held             []held
	class            class
}

// situation is a run as the candidates are held against it.
type situation struct {
	rec    *procedure.Record
	seen   []seen
	unlike []string
	paths  map[bench.PathID]*bench.Path
	pinAt  map[int]int // pin by contact
	used   *procedure.BenchUse
}

// gather takes a run's results together by pin and measurement, with the ways that
// they were read by, and those that are unlike their equals.
func (s *situation) gather(results []procedure.Result, apart []departure) {
	rec := s.rec
	s.paths, s.pinAt, s.used = map[bench.PathID]*bench.Path{}, map[int]int{}, procedure.BenchUseOf(rec)
	for i := range rec.Bench.Paths {
		s.paths[rec.Bench.Paths[i].ID] = &rec.Bench.Paths[i]
	}
	for pin, contact := range rec.PinMap.Contacts {
		s.pinAt[contact] = pin
	}
	served, ways := procedure.ServedIn(rec), s.ways()
	at := map[procedure.ServedPin]int{}
	add := func(r *procedure.Result, c class) {
		key := procedure.ServedPin{Measurement: r.Measurement, Pin: r.Pin}
		k, has := at[key]
		if !has {
			by := served.Of(r)
			if len(by) == 0 {
				return
			}
			m := &rec.Procedure.Measurements[r.Measurement]
			k, at[key] = len(s.seen), len(s.seen)
			s.seen = append(s.seen, seen{measurement: r.Measurement, pin: r.Pin, kind: m.Kind, powered: m.Powered || m.Step != nil, by: by, held: ways[key]})
		}
		s.seen[k].class = max(s.seen[k].class, c)
	}
	for i := range results {
		if r := &results[i]; r.Measurement >= 0 && r.Measurement < len(rec.Procedure.Measurements) {
			add(r, classOf(&rec.Procedure.Measurements[r.Measurement], r))
		}
	}
	for _, d := range apart {
		add(d.result, d.class)
		s.unlike = append(s.unlike, d.said)
	}
}

// ways works out which pins were connected while each pin was read, as the plan
// has it.
func (s *situation) ways() map[procedure.ServedPin][]held {
	out := map[procedure.ServedPin][]held{}
	rec := s.rec
	planner := procedure.NewPlanner(&rec.Device, &rec.PinMap, &rec.Bench)
	for i := range rec.Procedure.Measurements {
		m := rec.Procedure.Measurements[i]
		kind, ok := procedure.KindByKey(m.Kind)
		if m.Disabled || !ok || kind.Validate(&m, &rec.Device).Err() != nil {
			continue
		}
		kind.Shorten(&m)
		type whole struct {
			key  procedure.ServedPin
			seg  *procedure.Segment
			hold procedure.Hold
		}
		var all []whole // a segment's channels and paths are known at the end of the step
		_, err := planner.Step(i, &m, kind, func(seg *procedure.Segment, pt *procedure.Point) {
			if pt.Auxiliary {
				return
			}
			for _, pin := range pt.Read {
				for _, h := range pt.Hold {
					if h.Pin != pin && h.Use != procedure.UseOpen {
						h.Level, h.Compliance = 0, 0
						if w := (whole{procedure.ServedPin{Measurement: i, Pin: pin}, seg, h}); !slices.Contains(all, w) {
							all = append(all, w)
						}
					}
				}
			}
		})
		if err != nil {
			continue
		}
		for _, w := range all {
			h := held{w.hold.Pin, w.hold.Use, w.seg.Assign.Channel[w.hold.Pin], w.seg.Assign.Path[w.hold.Pin]}
			if !slices.Contains(out[w.key], h) {
				out[w.key] = append(out[w.key], h)
			}
		}
	}
	return out
}

// bad reports whether a result says that something is wrong.
func bad(r *procedure.Result) bool {
	switch r.Outcome {
	case derive.Pass, derive.NoLimits, derive.ConditionalPass, derive.Damaged:
		return false
	case derive.Untrusted:
		return r.Flags.Has(bench.InCompliance)
	}
	return true
}

// Common practice, without a source, as in the contact test itself: a junction at
// 100 µA reads 0.3 V to 0.9 V, and below 0.1 V there is none but a short.
const (
	shortBelow = 0.1 // V
	diodeLow   = 0.3 // V
)

// classOf is what a result looks like by itself.
func classOf(m *procedure.Measurement, r *procedure.Result) class {
	if !bad(r) {
		return sound
	}
	clamped := r.Flags.Has(bench.InCompliance)
	switch m.Kind {
	case "contact":
		switch a := math.Abs(r.Value); {
		case clamped && a >= 0.5*m.Compliance:
			return open
		case a < shortBelow:
			return short
		case a < diodeLow:
			return low
		default:
			return high
		}
	case "shorts":
		return short
	case "leakage", "supply-current":
		switch {
		case r.Outcome == derive.Invalid:
			return knock
		case clamped:
			return short
		}
		return low
	case "output-level", "resistance":
		switch {
		case r.Outcome == derive.Invalid:
			return knock
		case clamped:
			return open
		case r.Unit == quantity.Ohm:
			return high
		}
	}
	return off
}

// departure is a result that is unlike those of equal pins.
type departure struct {
	result *procedure.Result
	class  class
	said   string
}

// alike says which results are of equal pins under equal conditions.
type alike struct {
	kind, key, group, condition string
	function                    dut.Function
	level                       float64
}

// Results of equal pins: how many others there must be, and how improbable it is, in a
// part whose pins scatter alike, that one of them stands so far from the others. Both
// are assumptions of ours; a run has some hundred such results.
const (
	leastEquals = 4
	byChance    = 2e-5
)

// compared are the kinds of measurement whose results some ohms more in the way of a
// pin move, and whose values scatter within a part by far less than their limits allow.
var compared = map[string]bool{"contact": true, "output-level": true, "resistance": true}

// departures compares results of one kind on pins of one function with each other: one
// that stands from the others by more than their scatter, by Student's t, and by more
// than its own U is unlike them.
func (s *situation) departures(results []procedure.Result) (out []departure) {
	groups, order := map[alike][]*procedure.Result{}, []alike(nil)
	for i := range results {
		r := &results[i]
		if r.Measurement < 0 || r.Measurement >= len(s.rec.Procedure.Measurements) {
			continue
		}
		m := &s.rec.Procedure.Measurements[r.Measurement]
		pin, ok := s.rec.Device.Pin(r.Pin)
		if !ok || !compared[m.Kind] || math.IsNaN(r.U) || r.Flags != 0 || classOf(m, r) != sound {
			continue
		}
		key := alike{m.Kind, r.Key, r.Group, r.Condition, pin.Function, m.Level}
		if groups[key] == nil {
			order = append(order, key)
		}
		groups[key] = append(groups[key], r)
	}
	for _, key := range order {
		out = append(out, s.apart(key, groups[key])...)
	}
	return out
}

// apart finds the results of a group that stand apart from all others of it. The one
// that stands out the most is taken off first, since it widens the scatter of the
// others; no more than a third of the group stands apart from the rest.
func (s *situation) apart(key alike, group []*procedure.Result) (out []departure) {
	rest := slices.Clone(group)
	for range len(group) / 3 {
		if len(rest) <= leastEquals {
			break
		}
		best, where, by := 0.0, -1, 0.0
		for i, r := range rest {
			var others []float64
			for k, x := range rest {
				if k != i {
					others = append(others, x.Value)
				}
			}
			n := float64(len(others))
			mean, sd := stat.MeanStdDev(others, nil)
			limit := distuv.StudentsT{Sigma: 1, Nu: n - 1}.Quantile(1 - byChance/2)
			d := r.Value - mean
			if over := math.Abs(d) / max(limit*sd*math.Sqrt(1+1/n), r.U); over > 1 && over > best {
				best, where, by = over, i, d
			}
		}
		if where < 0 {
			break
		}
		r := rest[where]
		rest = slices.Delete(rest, where, where+1)
		c := off
		if key.kind == "contact" || r.Unit == quantity.Ohm {
			c = more
			if by*r.Value < 0 {
				c = low
			}
		}
		m := &s.rec.Procedure.Measurements[r.Measurement]
		out = append(out, departure{r, c, fmt.Sprintf("%s, %s, pin %s: %s, where %d others like it lie within %s of their mean: %s apart.",
			m.Name, r.Name, s.pin(r.Pin), quantity.Format(r.Value, r.Unit, 4), len(rest), quantity.Format(spread(rest), r.Unit, 2), quantity.Format(math.Abs(by), r.Unit, 2))})
	}
	return out
}

// spread is the largest distance of a result from the mean of them all.
func spread(all []*procedure.Result) float64 {
	mean, most := 0.0, 0.0
	for _, r := range all {
		mean += r.Value / float64(len(all))
	}
	for _, r := range all {
		most = max(most, math.Abs(r.Value-mean))
	}
	return most
}

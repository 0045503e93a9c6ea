package procedure

import (
	"fmt"
	"math"

	"ohmkeep/server/bench"
	"ohmkeep/server/quantity"
)

// wholeCycles reports whether an aperture in power-line cycles is a whole number of
// them, to 1 %: only then nothing is left of the hum of the line.
func wholeCycles(cycles float64) bool {
	n := math.Round(cycles)
	return n >= 1 && math.Abs(cycles-n) <= 0.01
}

// humWords says what an aperture does to the hum; "" where it takes it out.
func humWords(cycles, lineHz float64) string {
	if cycles <= 0 || wholeCycles(cycles) {
		return ""
	}
	return fmt.Sprintf("aperture of %s is no whole number of line cycles: hum is not averaged out, and not counted", say(cycles/lineHz, quantity.Second))
}

// settleWords says that a drive settles for less than it needs; "" where it does not.
func settleWords(m *Measurement, seg *Segment, k int) string {
	d := seg.Drives[k]
	if m.Settle.UntilStable || d.Zero {
		return ""
	}
	need, _, _ := seg.settleNeed(m, k)
	if m.Settle.Time >= need*nearly {
		return ""
	}
	return fmt.Sprintf("settled for %s where %s are needed", say(m.Settle.Time, quantity.Second), say(need, quantity.Second))
}

// ruinsDeriver is a kind's deriver that puts a word to each result whose settings
// spoil it.
type ruinsDeriver struct {
	Deriver
	m    *Measurement
	last *Sense
	pins []ruined
}

// ruined is what spoils the results of one pin.
type ruined struct {
	pin  int
	word string
}

func (r *ruinsDeriver) Add(o Observation) {
	r.Deriver.Add(o)
	if o.Sense == nil || o.Sense == r.last || o.Sense.Segment == nil || o.Flags.Has(bench.Auxiliary) {
		return
	}
	r.last = o.Sense
	for i := range r.pins {
		if r.pins[i].pin == int(o.Pin) {
			return
		}
	}
	seg := o.Sense.Segment
	hum := ""
	if r.m.Observe == 0 { // a threshold looks for a side of the middle only
		hum = humWords(o.Sense.Cycles, seg.lineHz())
	}
	r.pins = append(r.pins, ruined{int(o.Pin), joinLabel(settleWords(r.m, seg, o.Sense.Drive), hum)})
}

// Results are the kind's, with a word for those that the settings spoil.
func (r *ruinsDeriver) Results() []Result {
	out := r.Deriver.Results()
	for i := range out {
		for _, p := range r.pins {
			if p.word != "" && (p.pin == out[i].Pin || out[i].Pin == 0) {
				out[i].Note = joinLabel(out[i].Note, p.word)
				break
			}
		}
	}
	return out
}

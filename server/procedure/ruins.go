package procedure

import (
	"fmt"
	"math"
	"slices"

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
	return fmt.Sprintf("aperture of %s is no whole number of line cycles: hum is not averaged out, and counts as assumed", say(cycles/lineHz, quantity.Second))
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
	at   int // of pins: the one that was read last
	pins []ruined
}

// ruined is what spoils the results of one pin, and what it was read in.
type ruined struct {
	pin  int
	word string
	read ranged
}

func (r *ruinsDeriver) Add(o Observation) {
	r.Deriver.Add(o)
	if o.Sense == nil || o.Sense.Segment == nil || o.Flags.Has(bench.Auxiliary) {
		return
	}
	if r.at >= len(r.pins) || r.pins[r.at].pin != int(o.Pin) {
		r.at = slices.IndexFunc(r.pins, func(p ruined) bool { return p.pin == int(o.Pin) })
		if r.at < 0 {
			r.at = len(r.pins)
			r.pins = append(r.pins, r.newPin(&o))
		}
	}
	r.pins[r.at].read.add(&o)
}

// newPin says what spoils the results of a pin by its first reading.
func (r *ruinsDeriver) newPin(o *Observation) ruined {
	seg := o.Sense.Segment
	hum := ""
	if r.m.Observe == 0 { // a threshold looks for a side of the middle only
		hum = humWords(o.Sense.Cycles, seg.lineHz())
	}
	return ruined{int(o.Pin), joinLabel(settleWords(r.m, seg, o.Sense.Drive), hum), newRanged(o.Sense)}
}

// Results are the kind's, with a word for those that the settings spoil. A result
// of no pin in particular is spoilt by what spoils any.
func (r *ruinsDeriver) Results() []Result {
	out := r.Deriver.Results()
	for i := range out {
		x := &out[i]
		word, coarse := "", ""
		for j := range r.pins {
			p := &r.pins[j]
			if p.pin != x.Pin && x.Pin != 0 {
				continue
			}
			if word == "" {
				word = p.word
			}
			if coarse == "" && r.m.Observe == 0 {
				coarse = p.read.words(x)
			}
		}
		for _, w := range []string{word, coarse} {
			if w != "" {
				x.Note = joinLabel(x.Note, w)
			}
		}
	}
	return out
}

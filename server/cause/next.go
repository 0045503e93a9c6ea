package cause

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
)

// NextStep is something to do that would tell causes apart.
type NextStep struct {
	Do       string     `json:"do" doc:"what to do, in words"`
	Check    check.Step `json:"check,omitempty" doc:"step of the bench check that it is; absent: another thing"`
	Rerun    bool       `json:"rerun,omitempty" doc:"whether it ends in running the same once more"`
	Expected float64    `json:"expected" doc:"entropy that is expected to be left after it, in bits; less is better"`
	Now      float64    `json:"now" doc:"entropy that there is before it, in bits"`
}

// trial is a step with what it shows under each cause: causes of the same answer
// cannot be told apart by it.
type trial struct {
	step    NextStep
	answers func(*candidate) string
}

// itself is an answer that names the cause.
func itself(c *candidate) string {
	return fmt.Sprint(c.Kind, c.Mux, c.Paths, c.Contacts, c.Channels, c.Pins)
}

// finds is the answer of a check that names faults of some kinds, and says nothing of
// others.
func finds(kinds ...check.Kind) func(*candidate) string {
	return func(c *candidate) string {
		if slices.Contains(kinds, c.Kind) {
			return itself(c)
		}
		return ""
	}
}

func trials() []trial {
	return []trial{
		{NextStep{Do: "The short check of the bench, with nothing in the socket: channel against channel", Check: check.Channels},
			finds(check.ChannelDisagrees)},
		{NextStep{Do: "The empty socket of the bench check: which switches conduct, and which do not", Check: check.Empty},
			finds(check.EnableFloats, check.StuckClosed, check.StuckOpen)},
		{NextStep{Do: "The shorting plug of the bench check: the resistance of each contact", Check: check.Plug},
			finds(check.PoorContact)},
		{NextStep{Do: "The numbered plug of the bench check: which wire leads to which contact", Check: check.Numbers},
			finds(check.WrongContact)},
		{NextStep{Do: "Take the part out, seat it anew, and run the same again: a contact that does not touch well reads otherwise", Rerun: true},
			func(c *candidate) string { return fmt.Sprint(c.Kind == check.PoorContact) }},
		{NextStep{Do: "Run the same on another unit: what stays is the bench", Rerun: true},
			func(c *candidate) string { return fmt.Sprint(c.Bench) }},
	}
}

// otherPath is the measurement again by another channel: what belongs to one line
// goes with it.
func otherPath(all []candidate) trial {
	return trial{NextStep{Do: "Measure the same pin by hand over another channel: what goes away belongs to the channel or its switches"},
		func(c *candidate) string {
			var line bench.ChannelID
			switch c.Kind {
			case check.StuckOpen, check.StuckClosed, check.EnableFloats:
				line = c.line
			case check.ChannelDisagrees:
				line = c.Channels[0]
			}
			return fmt.Sprint(line == lineOf(&all[0]))
		}}
}

func lineOf(c *candidate) bench.ChannelID {
	if len(c.Channels) > 0 {
		return c.Channels[0]
	}
	return c.line
}

const (
	mostSteps = 3
	leastGain = 0.02 // bits; a step that is expected to tell less is not proposed
)

// nextSteps are the steps in the order of the entropy that is expected after them.
func nextSteps(all []candidate) (out []NextStep) {
	now := entropy(func(yield func(float64) bool) {
		for i := range all {
			if !yield(all[i].Probability) {
				return
			}
		}
	})
	tries := trials()
	if lineOf(&all[0]) != 0 {
		tries = append(tries, otherPath(all))
	}
	for _, t := range tries {
		parts := map[string][]float64{}
		for i := range all {
			a := t.answers(&all[i])
			parts[a] = append(parts[a], all[i].Probability)
		}
		left := 0.0
		for _, p := range parts {
			sum := 0.0
			for _, x := range p {
				sum += x
			}
			if sum > 0 {
				left += sum * entropy(func(yield func(float64) bool) {
					for _, x := range p {
						if !yield(x / sum) {
							return
						}
					}
				})
			}
		}
		if now-left >= leastGain {
			t.step.Expected, t.step.Now = left, now
			out = append(out, t.step)
		}
	}
	slices.SortStableFunc(out, func(a, b NextStep) int { return cmp.Compare(a.Expected, b.Expected) })
	return out[:min(len(out), mostSteps)]
}

// entropy is that of probabilities, in bits.
func entropy(all func(func(float64) bool)) (h float64) {
	all(func(p float64) bool {
		if p > 0 {
			h -= p * math.Log2(p)
		}
		return true
	})
	return h
}

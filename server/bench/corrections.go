package bench

import (
	"fmt"
	"math"
	"time"

	"ohmkeep/server/quantity"
)

// Corrections are what a bench was measured to have where its definition says what
// it is stated to have. Errors takes them off readings, each with the uncertainty
// that its measurement left and with what may have changed since. The readings
// themselves stay as they were taken. They are not changed once made.
type Corrections struct {
	Revision int       `json:"revision" doc:"number among the corrections of the bench, from 1"`
	At       time.Time `json:"at" doc:"when they were taken over"`
	By       string    `json:"by" doc:"who took them over"`
	// Used is when the readings are taken that they are used for: their age is
	// counted to it. Zero stands for no age. It is no part of what is stored, so that
	// all runs with the same corrections share one copy.
	Used time.Time `json:"-"`
	// PathsAt and PathsFrom are when all paths were measured and by what.
	PathsAt   time.Time         `json:"pathsAt,omitzero" doc:"when the paths were measured"`
	PathsFrom string            `json:"pathsFrom,omitempty" doc:"id of the check of the bench that measured the paths"`
	Paths     []PathCorrection  `json:"paths,omitempty"`
	Ranges    []RangeCorrection `json:"ranges,omitempty"`
}

// PathCorrection is the resistance that a closed path was measured to have, with
// its channel's output.
type PathCorrection struct {
	Path PathID  `json:"path" doc:"number of the path"`
	Ohms float64 `json:"ohms" doc:"resistance of the closed path and of its channel's output, in ohms"`
	U    float64 `json:"u" doc:"half-width of the interval that holds it with 95 %, in ohms"`
}

// RangeCorrection is the gain and the offset that one range of a channel was
// measured to have against a standard. A sensing range says x·(1+Gain)+Offset
// where x is; a forcing one puts out x·(1+Gain)+Offset where x is asked for.
type RangeCorrection struct {
	Channel   ChannelID     `json:"channel" doc:"number of the channel"`
	Unit      quantity.Unit `json:"unit" doc:"V or A"`
	Force     bool          `json:"force,omitempty" doc:"true for a range that forces, absent for one that senses"`
	FullScale float64       `json:"fullScale" doc:"of the range, in V or A"`
	Gain      float64       `json:"gain" doc:"as a part of the value"`
	GainU     float64       `json:"gainU" doc:"half-width of the interval that holds the gain with 95 %"`
	Offset    float64       `json:"offset" doc:"in V or A"`
	OffsetU   float64       `json:"offsetU" doc:"half-width of the interval that holds the offset with 95 %, in V or A"`
	At        time.Time     `json:"at" doc:"when it was measured"`
	By        string        `json:"by" doc:"who measured it"`
	Standard  string        `json:"standard" doc:"what it was held against: the standard and its certificate"`
}

// use names the range that the correction is of.
func (c *RangeCorrection) use() rangeUse { return rangeUse{c.Channel, c.Unit, c.Force, c.FullScale} }

// Path is the correction of a path; nil where it has none.
func (c *Corrections) Path(id PathID) *PathCorrection {
	if c == nil {
		return nil
	}
	for i := range c.Paths {
		if c.Paths[i].Path == id {
			return &c.Paths[i]
		}
	}
	return nil
}

// rangeOf is the correction of a range; nil where it has none.
func (c *Corrections) rangeOf(use rangeUse) *RangeCorrection {
	if c == nil {
		return nil
	}
	for i := range c.Ranges {
		if x := &c.Ranges[i]; x.use() == use {
			return x
		}
	}
	return nil
}

// Age is how old what was measured at a time is where it is used, at least 0.
func (c *Corrections) Age(measured time.Time) time.Duration {
	if c.Used.IsZero() || measured.IsZero() {
		return 0
	}
	return max(c.Used.Sub(measured), 0)
}

// Check reports what no correction can be: values that are not finite, no
// uncertainty, or a path, channel or range that the bench does not have.
func (c *Corrections) Check(def *Definition) error {
	seen := map[PathID]bool{}
	for _, p := range c.Paths {
		if _, is := def.PathByID(p.Path); !is || seen[p.Path] {
			return fmt.Errorf("path %d is not on the bench, or stands twice", p.Path)
		}
		if seen[p.Path] = true; !(p.U > 0) || !finite(p.U) || !finite(p.Ohms) {
			return fmt.Errorf("path %d: a resistance with its uncertainty is needed", p.Path)
		}
	}
	ranges := map[rangeUse]bool{}
	for _, r := range c.Ranges {
		use := r.use()
		if _, is := def.RangeOf(&r); !is || ranges[use] {
			return fmt.Errorf("channel %d has no range of %g %s of that kind, or it stands twice", r.Channel, r.FullScale, r.Unit)
		}
		ranges[use] = true
		if !(r.GainU > 0) || !(r.OffsetU > 0) || !finite(r.GainU) || !finite(r.OffsetU) || !finite(r.Offset) || !(math.Abs(r.Gain) < 0.5) {
			return fmt.Errorf("%s: a gain and an offset with their uncertainties are needed", def.ChannelName(r.Channel))
		}
		if r.Standard == "" || r.At.IsZero() {
			return fmt.Errorf("%s: the standard and the time are needed", def.ChannelName(r.Channel))
		}
	}
	return nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// RangeOf is the range of the bench that a correction is of.
func (d *Definition) RangeOf(c *RangeCorrection) (Range, bool) {
	ch, ok := d.ChannelByID(c.Channel)
	if !ok {
		return Range{}, false
	}
	table := ch.SenseV
	switch {
	case c.Unit == quantity.Volt && c.Force:
		table = ch.ForceV
	case c.Unit == quantity.Ampere && c.Force:
		table = ch.ForceI
	case c.Unit == quantity.Ampere:
		table = ch.SenseI
	case c.Unit != quantity.Volt:
		return Range{}, false
	}
	for _, r := range table {
		if r.FullScale == c.FullScale {
			return r, true
		}
	}
	return Range{}, false
}

// Stated is the definition without what was measured of the bench.
func (d *Definition) Stated() *Definition {
	return d.Corrected(nil, time.Time{})
}

// Corrected is the definition with corrections that are used at a time; c nil
// stands for none.
func (d *Definition) Corrected(c *Corrections, used time.Time) *Definition {
	out := *d
	out.Corrections = nil
	if c != nil {
		at := *c
		at.Used = used
		out.Corrections = &at
	}
	return &out
}

package procedure

import (
	"fmt"
	"slices"
	"strings"

	"ohmkeep/server/dut"
)

const (
	// MaxMeasurements is the largest number of measurements of a procedure.
	MaxMeasurements = 1000
	// MaxReadings is the largest number of readings that a procedure may take.
	MaxReadings = 50_000_000
	maxGuard    = 10.0
	leastRisk   = 1e-4 // what the distribution of a budget is known to
	mostRisk    = 0.5  // where it is simple acceptance
)

// Validate reports everything that is wrong with the procedure for the device as
// dut.Problems with paths such as "measurements[3].sweep.to", or nil.
func (p *Procedure) Validate(d *dut.Device) error {
	c := checker{d: d}
	if !dut.KeyPattern.MatchString(p.Key) {
		c.ps.Add("key", "use lower-case letters, digits and hyphens, at most 64")
	}
	if p.Device != d.Key {
		c.ps.Add("device", "the procedure is for %q, not for %q", clip(p.Device), d.Key)
	}
	c.text("name", p.Name, 1, maxName)
	c.text("notes", p.Notes, 0, maxNote)
	if !(p.Guard >= 0 && p.Guard <= maxGuard) {
		c.ps.Add("guard", "must be 0 (none) to %g times U", maxGuard)
	}
	switch {
	case p.Risk == 0:
	case !(p.Risk >= leastRisk && p.Risk < mostRisk):
		c.ps.Add("risk", "must be 0 (another rule) or %g to less than %g, as a probability", leastRisk, mostRisk)
	case p.Guard != 0:
		c.ps.Add("risk", "give a guard band or a most specific risk, not both")
	}
	if n := len(p.Measurements); n > MaxMeasurements {
		c.ps.Add("measurements", "has %d measurements; at most %d: split the procedure", n, MaxMeasurements)
		return c.ps.Err()
	}
	ids := map[string]int{}
	var readings int64
	for i := range p.Measurements {
		m := &p.Measurements[i]
		at := fmt.Sprintf("measurements[%d].", i)
		if first, dup := ids[m.ID]; dup && m.ID != "" {
			c.ps.Add(at+"id", "%q is the id of measurement %d as well", clip(m.ID), first+1)
		} else {
			ids[m.ID] = i
		}
		problems := m.Validate(d)
		for _, q := range problems {
			c.ps = append(c.ps, dut.Problem{Field: at + q.Field, Message: q.Message})
		}
		if len(problems) == 0 {
			readings += m.tally(d).readings
		}
	}
	if readings > MaxReadings {
		c.ps.Add("measurements", "come to %d readings; at most %d: use fewer points, repeats or pins", readings, MaxReadings)
	}
	c.conditions(p)
	return c.ps.Err()
}

// Validate reports what is wrong with the measurement for the device.
func (m *Measurement) Validate(d *dut.Device) dut.Problems {
	k, ok := KindByKey(m.Kind)
	if !ok {
		keys := make([]string, len(kinds))
		for i, k := range kinds {
			keys[i] = k.Key()
		}
		slices.Sort(keys)
		return dut.Problems{{Field: "kind", Message: fmt.Sprintf("%q is not one of %s", clip(m.Kind), strings.Join(keys, ", "))}}
	}
	return k.Validate(m, d)
}

// clip keeps a text from outside short enough for a message.
func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}

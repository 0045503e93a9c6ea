package procedure

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// CheckInput is what is checked before power. PinMap nil stands for none.
type CheckInput struct {
	Device    *dut.Device
	Procedure *Procedure
	PinMap    *bench.PinMap
	Bench     *bench.Definition
}

// MeasurementCheck is what the check says of one measurement.
type MeasurementCheck struct {
	Index       int
	ID, Name    string
	Disabled    bool
	Estimate    Estimate
	Predictions []Prediction
}

// CheckReport is all that can be said of a procedure before anything is energised.
type CheckReport struct {
	Findings     []Finding // errors first, then by measurement
	Measurements []MeasurementCheck
	Untouched    []int   // pins that no measurement reads
	Total        float64 // seconds by the plan; 0 where there is none
}

// Errors, Warnings and Notes are the findings of each severity, in order.
func (r *CheckReport) Errors() []Finding   { return r.of(SeverityError) }
func (r *CheckReport) Warnings() []Finding { return r.of(SeverityWarning) }
func (r *CheckReport) Notes() []Finding    { return r.of(SeverityNote) }

func (r *CheckReport) of(s Severity) []Finding {
	var out []Finding
	for _, f := range r.Findings {
		if f.Severity == s {
			out = append(out, f)
		}
	}
	return out
}

// Unacknowledged are the warnings that none of the names acknowledges.
func (r *CheckReport) Unacknowledged(names []string) []Finding {
	return slices.DeleteFunc(r.Warnings(), func(f Finding) bool { return slices.Contains(names, f.Name()) })
}

// PrePower checks a procedure for a device on a bench before anything is
// energised: whether it is safe, possible and precise enough.
func PrePower(in CheckInput) CheckReport {
	c := &preCheck{CheckInput: in, read: map[int]bool{}}
	c.document()
	expanded := Expand(*in.Procedure, in.Device) // what is carried out, under each condition
	for i := range expanded.Measurements {
		c.measurement(&expanded.Measurements[i])
	}
	c.coverage()
	c.duplicates()
	return c.finish()
}

// preCheck is a check at work.
type preCheck struct {
	CheckInput
	planner  *Planner
	lax      *dut.Device           // the device with ratings that nothing exceeds
	problems map[int][]dut.Problem // of Validate, by measurement
	read     map[int]bool
	report   CheckReport
	found    []found
	at       int    // measurement at work in the document, -1: none
	id       string // of what is carried out for it
}

// document checks what stands around the measurements.
func (c *preCheck) document() {
	c.at = -1
	c.problems = map[int][]dut.Problem{}
	var ps dut.Problems
	if err := c.Procedure.Validate(c.Device); errors.As(err, &ps) {
		for _, p := range ps {
			var i int
			var rest string
			if n, _ := fmt.Sscanf(p.Field, "measurements[%d].%s", &i, &rest); n == 2 {
				c.problems[i] = append(c.problems[i], dut.Problem{Field: rest, Message: p.Message})
				continue
			}
			c.add(SeverityError, CodeNotValid, nil, []string{p.Field}, "%s: %s", p.Field, p.Message)
		}
	}
	if err := c.Device.Validate(); errors.As(err, &ps) {
		for _, p := range ps {
			code := CodeNotValid
			if strings.HasPrefix(p.Field, "power[") {
				code = CodePowerLevel
			}
			c.add(SeverityError, code, nil, []string{"device." + p.Field}, "device: %s: %s", p.Field, p.Message)
		}
	}
	if !slices.ContainsFunc(c.Procedure.Measurements, func(m Measurement) bool { return !m.Disabled }) {
		c.add(SeverityError, CodeNothingEnabled, nil, []string{"measurements"}, "no measurement is enabled: nothing would be measured")
	}
	if c.PinMap == nil {
		c.add(SeverityError, CodePinMap, nil, []string{"pinMap.contacts"}, "the device has no pin map for this bench yet: make one")
		return
	}
	pins := make([]int, len(c.Device.Pins))
	for i, p := range c.Device.Pins {
		pins[i] = p.Number
	}
	if err := c.PinMap.Validate(c.Bench, pins); errors.As(err, &ps) {
		for _, p := range ps {
			c.add(SeverityError, CodePinMap, nil, []string{"pinMap." + p.Field}, "pin map: %s", p.Message)
		}
		return
	}
	c.planner = NewPlanner(c.Device, c.PinMap, c.Bench)
}

// origin is the place in the document of a measurement that is carried out: under
// a condition its id has an ending of its own.
func (c *preCheck) origin(m *Measurement) int {
	best, longest := 0, -1
	for i := range c.Procedure.Measurements {
		switch id := c.Procedure.Measurements[i].ID; {
		case id == m.ID:
			return i
		case m.At != nil && strings.HasPrefix(m.ID, within(id, maxID-8)+"-c") && len(id) > longest:
			best, longest = i, len(id)
		}
	}
	return best
}

// measurement checks one measurement: its fields, then what its points do.
func (c *preCheck) measurement(m *Measurement) {
	i := c.origin(m)
	out := MeasurementCheck{Index: i, ID: m.ID, Name: m.Name, Disabled: m.Disabled}
	c.at, c.id = i, m.ID
	kind, known := KindByKey(m.Kind)
	sound := known && c.fields(kind, m)
	if sound && !m.Disabled {
		before := len(c.found)
		ex := newExposure(c, m)
		var step *PlanStep
		if c.planner != nil {
			var err error
			if step, err = c.planner.Step(i, m, kind, ex.point); err != nil {
				c.unplanned(err)
				step = nil
			}
		} else {
			for pt := range kind.Points(m, c.Device) {
				ex.point(nil, &pt)
			}
		}
		c.ratings(ex)
		if step != nil {
			c.aperture(m)
			c.planned(ex, step)
			out.Predictions = c.precision(step)
			c.report.Total += step.Nominal.Seconds()
		}
		c.leftOver(m, before)
		out.Estimate = m.Estimate(c.Device, c.Bench)
	} else if !sound {
		c.leftOver(m, len(c.found))
	}
	c.report.Measurements = append(c.report.Measurements, out)
}

// fields reports whether the measurement can be expanded. What its own checks
// say against ratings is left to the rules, which see every point.
func (c *preCheck) fields(kind Kind, m *Measurement) bool {
	if c.lax == nil {
		c.lax = unrated(c.Device)
	}
	return len(kind.Validate(m, c.lax)) == 0
}

// unrated is the device with ratings that nothing exceeds.
func unrated(d *dut.Device) *dut.Device {
	out := *d
	out.Pins = slices.Clone(d.Pins)
	for i, p := range out.Pins {
		out.Pins[i] = p.Unrated()
	}
	return &out
}

// leftOver reports what the measurement's own checks refuse, unless the rules
// have found an error already, which says it better.
func (c *preCheck) leftOver(m *Measurement, before int) {
	for _, f := range c.found[before:] {
		if f.Severity == SeverityError {
			return
		}
	}
	problems := c.problems[c.at]
	if m.At != nil {
		problems = m.Validate(c.Device)
	}
	for _, p := range problems {
		code := CodeNotValid
		if strings.HasSuffix(strings.ToLower(p.Field), "compliance") && strings.HasPrefix(p.Message, "is missing") {
			code = CodeNoCompliance
		}
		c.add(SeverityError, code, nil, []string{p.Field}, "%s: %s", p.Field, p.Message)
	}
}

// unplanned reports why a measurement cannot be connected.
func (c *preCheck) unplanned(err error) {
	var clash *bench.Clash
	if !errors.As(err, &clash) {
		c.add(SeverityError, CodeNoPath, nil, []string{"pins"}, "%s", err)
		return
	}
	code := CodeClash
	if len(clash.Pins) < 2 {
		code = CodeNoPath
	}
	c.add(SeverityError, code, clash.Pins, []string{"pins"}, "%s: %s", clash.Reason, clash.Remedy)
}

// coverage names the pins that no measurement reads.
func (c *preCheck) coverage() {
	c.at = -1
	for _, p := range c.Device.Pins {
		if p.Function != dut.Ground && p.Function != dut.NoConnect && !c.read[p.Number] {
			c.report.Untouched = append(c.report.Untouched, p.Number)
		}
	}
	slices.Sort(c.report.Untouched)
	if n := c.report.Untouched; len(n) > 0 {
		c.add(SeverityNote, CodeUntouched, n, []string{"measurements"}, "read by no measurement: nothing will be known of it")
	}
}

// duplicates names measurements that do the same.
func (c *preCheck) duplicates() {
	seen := map[string]int{}
	for i := range c.Procedure.Measurements {
		m := c.Procedure.Measurements[i]
		if m.Disabled {
			continue
		}
		m.ID, m.Name, m.Note = "", "", ""
		body, err := dut.WriteJSON(m)
		if err != nil {
			continue // reported as not valid
		}
		if first, twice := seen[string(body)]; twice {
			c.at, c.id = i, c.Procedure.Measurements[i].ID
			c.add(SeverityNote, CodeDuplicate, nil, []string{"id"}, "does the same as measurement %d, %s: remove one, or give it other conditions",
				first+1, c.Procedure.Measurements[first].Name)
			continue
		}
		seen[string(body)] = i
	}
}

package procedure

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Severity says what a finding of the check before power means for a start.
type Severity string

const (
	SeverityError   Severity = "error"   // blocks the start
	SeverityWarning Severity = "warning" // must be acknowledged by name
	SeverityNote    Severity = "note"    // is worth knowing
)

// The stable codes of findings.
const (
	CodeNotValid       = "not-valid"        // a field makes no sense
	CodeNoCompliance   = "no-compliance"    // a channel without a limit
	CodeAboveRating    = "voltage-rating"   // a forced voltage outside a pin's absolute maximum
	CodeCurrentRating  = "current-rating"   // a current, or a limit of it, above a pin's absolute maximum
	CodeNoRating       = "no-rating"        // a pin without a rating to go by
	CodeComplianceV    = "compliance-high"  // what a forced current may raise a pin to
	CodeAboveClamp     = "above-clamp"      // a pin above its clamp supply
	CodeSupplyHigh     = "supply-high"      // a supply above the rating of the pins that it holds
	CodeUnpowered      = "unpowered-supply" // a pin above a supply that nothing holds
	CodePowerOrder     = "power-order"      // up before its clamp supply, or down after it
	CodePowerLevel     = "power-level"      // a power step outside the supply's rating
	CodePowerStep      = "power-step"       // a supply that nothing brings up
	CodeReturnCurrent  = "return-current"   // what a pin at the return may have to carry
	CodeNoReturn       = "no-return"        // a current that has nowhere to go back
	CodeThrough        = "through-part"     // what other pins may bring to a pin through the part
	CodeOverpowered    = "overpowered"      // a forced current that other pins may exceed at its compliance
	CodeStrapVoltage   = "strap-voltage"    // what a strap resistor brings to another pin
	CodeStrapCurrent   = "strap-current"    // what a strap resistor may carry into a pin
	CodeStrapPower     = "strap-power"      // power in a strap resistor
	CodePathCurrent    = "path-current"     // more than a path may carry
	CodePinPower       = "pin-power"        // power at one pin
	CodePartPower      = "part-power"       // power in the whole part
	CodePinMap         = "pin-map"          // the pin map does not fit
	CodeClash          = "clash"            // pins exclude each other on the bench
	CodeNoPath         = "no-path"          // no path or no range for a pin
	CodeSettle         = "settle"           // too short a settle
	CodeAperture       = "aperture"         // no whole number of power-line cycles
	CodeRange          = "range"            // a range far too coarse for a result
	CodePrecision      = "precision"        // the uncertainty against the limits
	CodeUnpredicted    = "unpredicted"      // a result whose uncertainty cannot be known beforehand
	CodeUntouched      = "untouched"        // a pin that no measurement reads
	CodeDuplicate      = "duplicate"        // the same measurement twice
	CodeNothingEnabled = "nothing-enabled"  // nothing would be measured
)

// Finding is one thing that the check has to say.
type Finding struct {
	Severity    Severity `json:"severity"`
	Code        string   `json:"code"`
	Measurement int      `json:"measurement"`  // index in the procedure; -1: none in particular
	ID          string   `json:"id,omitempty"` // of the measurement
	Pins        []int    `json:"pins,omitempty"`
	Message     string   `json:"message"`          // names the pins, the rating and the remedy
	Fields      []string `json:"fields,omitempty"` // JSON paths: "measurements[3].compliance", "device.power[0].level"
}

// Name is what a warning is acknowledged by: its code and its measurement's id.
func (f *Finding) Name() string {
	if f.ID == "" {
		return f.Code
	}
	return f.Code + ":" + f.ID
}

// found is a finding with its words, which go behind the names of its pins.
type found struct {
	Finding
	text string
}

// add appends a finding about pins. One that says the same of other pins of the
// same measurement takes them in.
func (c *preCheck) add(s Severity, code string, pins []int, fields []string, format string, args ...any) {
	f := found{Finding{Severity: s, Code: code, Measurement: c.at, Pins: slices.Clone(pins)}, fmt.Sprintf(format, args...)}
	prefix := ""
	if c.at >= 0 {
		f.ID = c.id
		prefix = fmt.Sprintf("measurements[%d].", c.at)
	}
	for _, field := range fields {
		if !strings.HasPrefix(field, "device.") && !strings.HasPrefix(field, "pinMap.") {
			field = prefix + field
		}
		f.Fields = append(f.Fields, field)
	}
	for i := len(c.found) - 1; i >= 0; i-- {
		g := &c.found[i]
		if g.Measurement != c.at || g.ID != f.ID {
			break
		}
		if len(pins) > 0 && g.Code == code && g.Severity == s && g.text == f.text {
			g.Pins = append(g.Pins, f.Pins...)
			g.Fields = append(g.Fields, f.Fields...)
			return
		}
	}
	c.found = append(c.found, f)
}

func (c *preCheck) label(pin int) string {
	if p, ok := c.Device.Pin(pin); ok {
		return p.Label()
	}
	return fmt.Sprint(pin)
}

// labels names pins for a message: "pins 1 A and 2 Y".
func (c *preCheck) labels(pins []int) string {
	names := make([]string, len(pins))
	for i, n := range pins {
		names[i] = c.label(n)
	}
	if len(names) == 1 {
		return "pin " + names[0]
	}
	return "pins " + strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

// finish words and orders the findings.
func (c *preCheck) finish() CheckReport {
	rank := map[Severity]int{SeverityError: 0, SeverityWarning: 1, SeverityNote: 2}
	for _, f := range c.found {
		f.Message = f.text
		slices.Sort(f.Pins)
		f.Pins = slices.Compact(f.Pins)
		if len(f.Pins) > 0 && f.Code != CodeClash && f.Code != CodeNoPath { // those name their pins
			f.Message = c.labels(f.Pins) + ": " + f.text
		}
		slices.Sort(f.Fields)
		f.Fields = slices.Compact(f.Fields)
		c.report.Findings = append(c.report.Findings, f.Finding)
	}
	slices.SortStableFunc(c.report.Findings, func(a, b Finding) int {
		return cmp.Or(rank[a.Severity]-rank[b.Severity], a.Measurement-b.Measurement)
	})
	return c.report
}

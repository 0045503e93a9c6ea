package procedure

import (
	"iter"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// Point is the primitive that every kind expands to: apply the holds, settle,
// read the named pins Count times. Its slices are shared between points and are
// never written after the point was given: keep them, do not change them.
type Point struct {
	Group uint16 // curve, pin or direction; its label is in Shape.Groups
	Hold  []Hold // every pin that is connected; all others are open
	Read  []int  // pins to read, each held by a channel
	// Settle and Aperture are those of the measurement unless a kind says
	// otherwise for one point.
	Settle   Settle
	Aperture Aperture
	Count    int     // readings, at least 1
	Interval float64 // seconds from one reading to the next; 0: back to back
	// Auxiliary says that the point is beside the stated conditions, for a
	// correction: its readings are none of what is measured.
	Auxiliary bool
	// Bending says that all levels that the point rests on are moved at once, by less
	// than at the points that move one of them, to see whether it follows a curve.
	Bending bool
	// Witness asks for an idle channel, where there is one, that stands at the level of
	// the one pin that is read and is on no path, read whenever levels are read back:
	// what it brings leaks through the open switches beside both.
	Witness bool
	// ReadBack asks for one reading of every level that is held, together with
	// the first of the point. Where connections have moved there is one anyway.
	ReadBack bool
}

// Observation is a reading together with how it came about: the ranges and the
// path whose errors it carries.
type Observation struct {
	bench.Reading
	Sense *Sense
}

// Deriver turns the readings of one measurement into results as they arrive.
// Add must not allocate in the steady state; Results may be called at any
// time and gives what can be said so far, each result once, with finite numbers
// only. A result's Measurement is left at 0 for the caller, who knows the index.
// A Deriver is used by one goroutine at a time.
type Deriver interface {
	Add(o Observation)
	Results() []Result
}

// Kind is a kind of measurement.
type Kind interface {
	Key() string     // stable: stored, in the API
	Title() string   // on screen
	Summary() string // one sentence: what it finds out, and how
	// Fields lists the fields of Measurement that the kind uses, in form order.
	Fields() []Field
	// Outputs lists what it derives.
	Outputs() []Output
	// Default is a measurement of this kind with sensible values for a device.
	Default(d *dut.Device) Measurement
	// Validate reports what is wrong with m for the device.
	Validate(m *Measurement, d *dut.Device) dut.Problems
	// Points expands m. It must only be called on a valid measurement.
	Points(m *Measurement, d *dut.Device) iter.Seq[Point]
	// Shape says how its readings are drawn.
	Shape(m *Measurement, d *dut.Device) Shape
	// Derive starts the computation of its results, judged by the decision rule.
	Derive(m *Measurement, d *dut.Device, rule Rule) Deriver

	// Imagine makes up a part on which the result of that key has the value x, so
	// that its uncertainty can be predicted. A kind that cannot says why, with
	// NoPrediction.
	Imagine(m *Measurement, d *dut.Device, key string, x float64) Imagined
	// Shorten cuts a copy of a measurement down to what a prediction needs, where
	// few readings tell as much as many.
	Shorten(m *Measurement)
	// Together says that the measured pins are measured against each other: one of
	// them alone would be another measurement.
	Together() bool
	// Drives is what the measurement itself puts on one of its pins, as far as
	// that is known without its points. The check before power sees every point;
	// this is for what is told while a procedure is written.
	Drives(m *Measurement, d *dut.Device, pin int) Driven
}

// Driven is the voltage that a measurement forces on a pin of its own.
type Driven struct {
	Known     bool    // a voltage is forced, and known beforehand
	Low, High float64 // V, over the whole measurement
	// Follows says that the level is that of the device's power step.
	Follows bool
}

// drives is what the measurement's kind puts on one of the measured pins.
func (m *Measurement) drives(d *dut.Device, pin int) Driven {
	if k, ok := KindByKey(m.Kind); ok && slices.Contains(m.Pins, pin) {
		return k.Drives(m, d, pin)
	}
	return Driven{}
}

// connects reports whether the measurement connects the pin itself, whatever
// its holds and the device's power steps say of it.
func (m *Measurement) connects(pin int) bool {
	return slices.Contains(m.Pins, pin) || m.Against == pin || m.Observe == pin ||
		m.Step != nil && m.Step.Pin == pin
}

// forces is the voltage that the measurement forces on a measured or a stepped
// pin.
func (m *Measurement) forces(d *dut.Device, pin int) Driven {
	if m.Step == nil || pin != m.Step.Pin {
		return m.drives(d, pin)
	}
	if m.Step.Use != UseVoltage {
		return Driven{}
	}
	low, high := m.Step.Sweep.Range()
	return Driven{Known: true, Low: low, High: high}
}

// Output is one value that a kind derives.
type Output struct {
	Key  string
	Name string
	Unit quantity.Unit // where By leaves it to the kind
	By   UnitBy
	Per  quantity.Unit // behind a unit that what is forced decides: "/h"
}

// Quantity names a column of the readings.
type Quantity string

const (
	QuantityTime    Quantity = "time"
	QuantitySet     Quantity = "set"
	QuantityVoltage Quantity = "voltage"
	QuantityCurrent Quantity = "current"
	QuantityPin     Quantity = "pin" // the number of the pin that was read
)

// Axis is one axis of a measurement's plot. Pin 0 is whichever pin is read.
type Axis struct {
	Pin      int
	Quantity Quantity
	Label    string
	Unit     quantity.Unit
	Log      bool
}

// Shape says how the readings of a measurement are drawn.
type Shape struct {
	X, Y   Axis
	Line   bool     // joined points; otherwise one mark a reading
	Groups []string // label of each Point.Group
	// Merge draws all groups as one curve: they only say which pins were meant.
	Merge bool
	// Band is the limit drawn across the Y axis, where the limits are in its unit.
	Band Limit
}

// byPin is the X axis of what is measured once for each pin.
var byPin = Axis{Quantity: QuantityPin, Label: "Pin"}

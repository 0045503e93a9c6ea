package procedure

import (
	"iter"

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
}

// Observation is a reading together with the standard uncertainties of its
// voltage and current, from the accuracy of the ranges in use.
type Observation struct {
	bench.Reading
	UV, UI float64 // V, A
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
	// Derive starts the computation of its results. Guard is the guard band
	// as a multiple of U.
	Derive(m *Measurement, d *dut.Device, guard float64) Deriver
}

// FieldType says how a field is entered.
type FieldType string

const (
	FieldPins     FieldType = "pins"
	FieldPin      FieldType = "pin"
	FieldQuantity FieldType = "quantity"
	FieldCount    FieldType = "count"
	FieldChoice   FieldType = "choice"
	FieldSweep    FieldType = "sweep"
	FieldStep     FieldType = "step"
	FieldHold     FieldType = "hold"
	FieldSettle   FieldType = "settle"
	FieldAperture FieldType = "aperture"
	FieldLimits   FieldType = "limits"
	FieldFlag     FieldType = "flag"
)

// Field describes one field of a kind for forms and for the API document.
type Field struct {
	Name    string // JSON name in Measurement
	Label   string
	Type    FieldType
	Unit    quantity.Unit // of a quantity; empty where the Use decides
	Choices []string
	Help    string
}

// Output is one value that a kind derives.
type Output struct {
	Key  string
	Name string
	Unit quantity.Unit
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

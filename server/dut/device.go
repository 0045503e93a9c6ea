// Package dut describes devices under test: what a part is, its pins and
// their ratings, its package, and the physical units of it. It imports quantity
// alone, for pasted ratings. All values are in SI base units.
package dut

import "slices"

// Function is what a pin is for.
type Function string

const (
	Supply        Function = "supply"
	Ground        Function = "ground"
	Input         Function = "input"
	Output        Function = "output"
	Bidirectional Function = "bidirectional"
	Analog        Function = "analog"
	NoConnect     Function = "no connect"
)

// Functions lists every pin function in the order that screens show them.
func Functions() []Function {
	return []Function{Supply, Ground, Input, Output, Bidirectional, Analog, NoConnect}
}

// Family is the outline of a package, which fixes how its pins are numbered.
type Family string

const (
	DualRow   Family = "dual row"
	Quad      Family = "quad"
	SingleRow Family = "single row"
	Grid      Family = "grid"
)

// Families lists every package outline.
func Families() []Family { return []Family{DualRow, Quad, SingleRow, Grid} }

// MaxPins is the largest device a bench can hold: the contacts of its socket.
const MaxPins = 48

// Package is the outline of a part.
type Package struct {
	Family     Family `json:"family"`
	Pins       int    `json:"pins"`
	ThermalPad bool   `json:"thermalPad,omitempty"`
	Columns    int    `json:"columns,omitempty"` // grid only
}

// Pin is one terminal of a device. Everything refers to a pin by its number,
// since names such as GND may repeat.
type Pin struct {
	Number   int      `json:"number"`
	Name     string   `json:"name"`
	Function Function `json:"function"`
	// Clamp is the number of the supply pin that the pin's upper protection
	// diode leads to; 0 where there is none.
	Clamp int `json:"clamp,omitempty"`
	// MinV and MaxV are the absolute maximum ratings relative to ground, in
	// volts. AboveClamp is how far the pin may rise above its clamp supply.
	MinV       float64 `json:"minV"`
	MaxV       float64 `json:"maxV"`
	AboveClamp float64 `json:"aboveClamp,omitempty"`
	// MaxI is the absolute maximum of the current's magnitude, in amperes.
	MaxI float64 `json:"maxI"`
	// Logic is the key of the logic family whose levels the pin keeps (see
	// LogicFamilies); empty for none.
	Logic string `json:"logic,omitempty"`
}

// PowerStep brings one supply pin up. Steps run in order; on the way down
// they run in reverse.
type PowerStep struct {
	Pin   int     `json:"pin"`
	Level float64 `json:"level"`           // volts
	Limit float64 `json:"limit"`           // compliance, amperes
	Ramp  float64 `json:"ramp,omitempty"`  // seconds from 0 V to Level
	Delay float64 `json:"delay,omitempty"` // seconds to wait after the ramp
}

// Device is a kind of part. Every edit makes a new revision; runs keep the
// revision they used.
type Device struct {
	Key         string      `json:"key"` // stable, lower case, in addresses
	Name        string      `json:"name"`
	Description string      `json:"description,omitempty"`
	Package     Package     `json:"package"`
	Pins        []Pin       `json:"pins"`
	Power       []PowerStep `json:"power,omitempty"`
	// Model is the rehearsal model that behaves like this device; empty where
	// there is none.
	Model string `json:"model,omitempty"`
}

// Unit is one physical part of a device.
type Unit struct {
	Serial string `json:"serial"`
	Lot    string `json:"lot,omitempty"`
}

// Pin returns the pin with that number.
func (d *Device) Pin(number int) (Pin, bool) {
	i := slices.IndexFunc(d.Pins, func(p Pin) bool { return p.Number == number })
	if i < 0 {
		return Pin{}, false
	}
	return d.Pins[i], true
}

// PinsOf returns the numbers of all pins with one of the given functions, in
// ascending order.
func (d *Device) PinsOf(functions ...Function) []int {
	var out []int
	for _, p := range d.Pins {
		if slices.Contains(functions, p.Function) {
			out = append(out, p.Number)
		}
	}
	slices.Sort(out)
	return out
}

// Label is how a pin is written on screens and in exports: "7 GND".
func (p Pin) Label() string {
	if p.Name == "" {
		return itoa(p.Number)
	}
	return itoa(p.Number) + " " + p.Name
}

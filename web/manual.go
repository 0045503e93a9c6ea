package web

import (
	"strconv"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// BigValue is one value in large figures.
type BigValue struct {
	Label string // "Resistance, pin 1 1A against the return"
	Text  string // "4.7021 kΩ ± 0.0012 kΩ"
	Note  string // what makes it doubtful; ""
	Flags bench.Flags
}

// ManualProps is the manual page.
type ManualProps struct {
	Page    Page
	Device  *dut.Device // what the pins are those of; nil where none is chosen
	Devices []Option    // sent by GET as device
	Pins    []PinMark   // with Href, so that a pick works without a script
	// Form is posted to /manual/measure with the fields
	//   device, do ("read", "ohm", "curve"), pin, against ("0": the return),
	//   use ("voltage", "current"), level, compliance, kelvin ("1"),
	//   method (ohm: "two-wire", "four-wire", "current reversal"), current (ohm),
	//   from, to, points, spacing ("linear", "log"), back ("1") (curve),
	//   settle (s), cycles, powered ("1"),
	//   and rows of hold-pin, hold-use, hold-level, hold-compliance.
	Form    Form
	CanUse  bool
	Busy    string // why nothing can be measured now; ""
	Working bool   // a measurement is at work
	Values  []BigValue
	Plots   []Plot
	Live    string // nothing measured yet: what to do
	// How is how the values were read, which stands with them whatever is asked for
	// next: "Resistance: pins 1, 1 mA, ..."; "" where there are none.
	How       string
	Before    bool // what is asked for was refused: the values are of before
	Bare      bool // the device is the contacts of the socket, with nothing described
	Elsewhere bool // something else is in the socket than what is shown
	// Keep is posted to /manual/keep with serial, lot and note.
	Keep    Form
	CanKeep bool
}

// The parts of the manual page that live frames may replace.
const (
	PartManualPins = "manual-pins"
	PartManualStop = "manual-stop"
	PartManualLive = "manual-live"
)

// holdRows is the number of other pins that the form takes.
const holdRows = 3

func (p ManualProps) drawing() Drawing {
	return Drawing{ID: "manual-package", Title: "Package of " + p.Device.Name + ": pick pins", Package: p.Device.Package, Pins: p.Pins, Live: true}
}

// pinOptions lists the device's pins.
func (p ManualProps) pinOptions(first Option) []Option {
	out := []Option{first}
	for _, pin := range byNumber(p.Device) {
		out = append(out, Option{Value: strconv.Itoa(pin.Number), Label: "pin " + pin.Label()})
	}
	return out
}

var (
	manualUses = []Option{{"voltage", "a voltage", ""}, {"current", "a current", ""}}
	holdUses   = []Option{{"voltage", "a voltage", ""}, {"current", "a current", ""}, {"return", "the return", ""}}
	methods    = []Option{{"two-wire", "two-wire", ""}, {"four-wire", "four-wire", ""}, {"current reversal", "current reversal", ""}}
	spacings   = []Option{{"linear", "linear", ""}, {"log", "logarithmic", ""}}
)

// ManualDefaults returns the initial values of the form.
func ManualDefaults() map[string]string {
	return map[string]string{"do": "read", "against": "0", "use": "voltage", "level": "0 V", "compliance": "10 mA", "method": "two-wire", "current": "1 mA",
		"from": "-500 mV", "to": "500 mV", "points": "101", "spacing": "linear", "settle": "5 ms", "cycles": "1"}
}

type tool struct{ value, label, help string }

var tools = []tool{
	{"read", "Force and read", "Force one level and read voltage and current until stopped."},
	{"ohm", "Ohmmeter", "Force a small current and read the resistance."},
	{"curve", "I–V curve", "Sweep a level and draw current against voltage."},
}

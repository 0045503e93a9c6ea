// Package procedure holds the ordered list of measurements for a device, what
// each kind of measurement does, and what its readings mean. Every kind
// expands to one primitive: apply, settle, read. All values are in SI units.
package procedure

import "ohmkeep/server/bench"

// Procedure is the ordered list of measurements for a device.
type Procedure struct {
	Key          string        `json:"key"`
	Name         string        `json:"name"`
	Device       string        `json:"device"` // device key
	Notes        string        `json:"notes,omitempty"`
	StopOnFail   bool          `json:"stopOnFail,omitempty"`
	Guard        float64       `json:"guard"`          // guard band as a multiple of U; 0: none, 1: w = U
	Risk         float64       `json:"risk,omitempty"` // in place of a guard band: the most specific risk, 0 to 0.5
	Measurements []Measurement `json:"measurements"`
	// Conditions is what the measurements are repeated over; see Expand.
	Conditions []Condition `json:"conditions,omitempty"`
}

// Use says what a pin is connected to and how.
type Use string

const (
	UseVoltage Use = "voltage" // a channel that forces a voltage
	UseCurrent Use = "current" // a channel that forces a current
	UseReturn  Use = "return"  // the return line, 0 V
	UseOpen    Use = "open"    // nothing
)

// Hold is what one pin is held at while others are measured. Level is in
// volts or amperes, Compliance in amperes or volts, by Use.
type Hold struct {
	Pin        int     `json:"pin"`
	Use        Use     `json:"use"`
	Level      float64 `json:"level,omitempty"`
	Compliance float64 `json:"compliance,omitempty"`
	Kelvin     bool    `json:"kelvin,omitempty"` // needs remote sense
}

// Spacing is how the points of a sweep are spread.
type Spacing string

const (
	Linear Spacing = "linear"
	Log    Spacing = "log"
	List   Spacing = "list"
)

// Sweep is a series of levels.
type Sweep struct {
	Spacing Spacing   `json:"spacing"`
	From    float64   `json:"from,omitempty"`
	To      float64   `json:"to,omitempty"`
	Points  int       `json:"points,omitempty"`
	List    []float64 `json:"list,omitempty"`
	Back    bool      `json:"back,omitempty"` // run down again after running up
}

// Step holds a second pin at one level after another: a curve for each.
type Step struct {
	Pin        int     `json:"pin"`
	Use        Use     `json:"use"` // voltage or current
	Compliance float64 `json:"compliance"`
	Sweep      Sweep   `json:"sweep"`
}

// Settle is how long to wait between applying and reading.
type Settle struct {
	Time float64 `json:"time"` // seconds
	// UntilStable waits, after Time, until two readings in a row differ by no
	// more than Tolerance (a fraction), for at most Within seconds.
	UntilStable bool    `json:"untilStable,omitempty"`
	Tolerance   float64 `json:"tolerance,omitempty"`
	Within      float64 `json:"within,omitempty"` // seconds
}

// Aperture is how long a reading integrates: a number of power-line cycles,
// or seconds where Cycles is 0.
type Aperture struct {
	Cycles  float64 `json:"cycles,omitempty"`
	Seconds float64 `json:"seconds,omitempty"`
}

// Limit bounds a result. A nil side is open.
type Limit struct {
	Low  *float64 `json:"low,omitempty"`
	High *float64 `json:"high,omitempty"`
}

// Method is how a resistance is measured, or shorts are looked for.
type Method string

const (
	TwoWire         Method = "two-wire"
	FourWire        Method = "four-wire"
	CurrentReversal Method = "current reversal"
)

// How shorts between pins are looked for.
const (
	AllOthers  Method = "all others" // each pin against all others at the return
	Neighbours Method = "neighbours" // each pin against the next one named
	EveryPair  Method = "every pair"
)

// Measurement is one entry of a procedure. Which fields a kind uses is what
// its Fields method says; the rest stay at zero.
type Measurement struct {
	ID       string `json:"id"` // stable within its procedure
	Name     string `json:"name"`
	Kind     string `json:"kind"`
	Disabled bool   `json:"disabled,omitempty"`
	Group    string `json:"group,omitempty"` // a heading; neighbours of one group stand together
	Note     string `json:"note,omitempty"`
	// Retest is how often the whole measurement is repeated while a result of it
	// fails; what was measured last counts.
	Retest int `json:"retest,omitempty"`
	// StopOnFail ends the run after this measurement if a result of it fails.
	StopOnFail bool `json:"stopOnFail,omitempty"`

	// At is the condition that the measurement is carried out under, where it is
	// not the device's own; Expand fills it in.
	At *Condition `json:"at,omitempty"`

	Pins    []int `json:"pins"`              // measured, each in turn
	Against int   `json:"against,omitempty"` // second terminal; 0: the return
	Observe int   `json:"observe,omitempty"` // pin whose voltage answers, for a threshold

	Use        Use     `json:"use,omitempty"`        // what the measured pin is forced with
	Level      float64 `json:"level,omitempty"`      // V or A
	Compliance float64 `json:"compliance,omitempty"` // A or V
	Sweep      *Sweep  `json:"sweep,omitempty"`
	Step       *Step   `json:"step,omitempty"`
	Hold       []Hold  `json:"hold,omitempty"` // conditions on other pins
	// Powered brings the supplies up in the device's power order first.
	Powered bool `json:"powered,omitempty"`
	// Rest is what becomes of input pins that nothing names: return or open.
	Rest   Use    `json:"rest,omitempty"`
	Method Method `json:"method,omitempty"`

	Settle   Settle   `json:"settle"`
	Aperture Aperture `json:"aperture"`
	Repeats  int      `json:"repeats,omitempty"`  // readings a point; 0 means 1
	Duration float64  `json:"duration,omitempty"` // seconds, watch
	Interval float64  `json:"interval,omitempty"` // seconds between readings, watch; 0: back to back

	Limits map[string]Limit `json:"limits,omitempty"` // by result key

	// Own holds the fields that only the kind has, by JSON name: numbers, texts
	// and flags. They stand among the others in the document; see Field.
	Own map[string]any `json:"-"`
}

// ApertureSeconds is how long one reading integrates on a bench with that
// power-line frequency in hertz.
func (a Aperture) ApertureSeconds(lineHz float64) float64 {
	if a.Cycles > 0 && lineHz > 0 {
		return a.Cycles / lineHz
	}
	return a.Seconds
}

// Mode is the channel mode for a use that takes a channel.
func (u Use) Mode() bench.Mode {
	if u == UseCurrent {
		return bench.ForceCurrent
	}
	return bench.ForceVoltage
}

// TakesChannel reports whether the use needs a channel.
func (u Use) TakesChannel() bool { return u == UseVoltage || u == UseCurrent }

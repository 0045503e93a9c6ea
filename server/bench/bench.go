// Package bench describes a force/sense bench: its channels and paths, the
// map from a device's pins to its contacts, the link that drives it, and the
// solver that decides which channel reaches which pin. All values are in SI
// base units: volts, amperes, ohms, seconds.
package bench

import (
	"context"
	"math"
	"time"
)

// ChannelID numbers a channel of a bench from 1. 0 is no channel: the return.
type ChannelID uint8

// PathID numbers a path of a bench from 1.
type PathID uint16

// Range is one range of a force or sense function. The accuracy is the
// maximum permissible error: |error| ≤ Gain·|value| + Offset.
type Range struct {
	FullScale float64 `json:"fullScale"` // V or A, symmetric about zero
	Step      float64 `json:"step"`      // converter step, V or A
	Gain      float64 `json:"gain"`      // fraction of value
	Offset    float64 `json:"offset"`    // V or A
	Noise     float64 `json:"noise"`     // V or A rms, one power-line cycle aperture
	// LoopTime is the time constant of the channel's own loop in the range, in
	// seconds; 0 where it is not known. Current ranges have one.
	LoopTime float64 `json:"loopTime,omitempty"`
}

// MaxError is the maximum permissible error at value, in the range's unit.
func (r Range) MaxError(value float64) float64 { return r.Gain*math.Abs(value) + r.Offset }

// Channel is one force/sense channel: it forces a voltage or a current and
// senses both. Ranges are in ascending order of full scale.
type Channel struct {
	ID     ChannelID `json:"id"`
	Name   string    `json:"name"`
	Card   int       `json:"card"`
	ForceV []Range   `json:"forceV"`
	ForceI []Range   `json:"forceI"`
	SenseV []Range   `json:"senseV"`
	SenseI []Range   `json:"senseI"`
	// RemoteSense is true where the channel has sense terminals of its own.
	RemoteSense bool `json:"remoteSense"`
	// SourceR is the output's series resistance outside the sense point with
	// local sense, in ohms.
	SourceR float64 `json:"sourceR"`
	// Number is what the card behind its connection calls it; 0: its ID.
	Number int `json:"number,omitempty"`
}

// Path is the switch between one line and one contact. Paths that share a Mux
// exclude each other. Channel 0 is the return (0 V).
type Path struct {
	ID         PathID    `json:"id"`
	Channel    ChannelID `json:"channel"`
	Contact    int       `json:"contact"`
	Mux        string    `json:"mux"`
	Address    string    `json:"address"`
	Resistance float64   `json:"resistance"` // ohms when closed
	Leakage    float64   `json:"leakage"`    // siemens when open
	Kelvin     bool      `json:"kelvin"`     // carries a sense wire of its own
	// ResistanceTolerance and LeakageTolerance are the largest deviations from
	// the two values above, as parts of them; 0 where nothing is stated.
	ResistanceTolerance float64 `json:"resistanceTolerance,omitempty"`
	LeakageTolerance    float64 `json:"leakageTolerance,omitempty"`
	// MaxCurrent is what the path may carry, in amperes; 0 where nothing is stated.
	MaxCurrent float64 `json:"maxCurrent,omitempty"`
	// Card is where the switch is; 0: on its channel's card, and for the return
	// on the card of the first channel.
	Card int `json:"card,omitempty"`
}

// Definition is a bench: what it can force and sense, and what reaches what.
type Definition struct {
	Key      string    `json:"key"`
	Name     string    `json:"name"`
	Contacts int       `json:"contacts"`
	Channels []Channel `json:"channels"`
	Paths    []Path    `json:"paths"`
	LineHz   float64   `json:"lineHz"` // power-line frequency, 50 or 60
	// SwitchTime is how long a set of paths takes to open or close, seconds.
	SwitchTime float64 `json:"switchTime"`
	// Capacitance is what a connected contact has with its cable and path, in
	// farads; 0 where it is not known.
	Capacitance float64 `json:"capacitance,omitempty"`
	// Connections are how its cards are reached; a rehearsal bench has none.
	Connections []Connection `json:"connections,omitempty"`
	// Corrections are what was measured of the bench, nil where nothing was. They
	// stand with the bench of a run and of a plan, never in a stored definition.
	Corrections *Corrections `json:"corrections,omitempty"`
}

// StrapKind says what a strap ties its contact to.
type StrapKind string

const (
	StrapReturn   StrapKind = "return"
	StrapChannel  StrapKind = "channel"
	StrapResistor StrapKind = "resistor" // to another contact, or to the return when To is 0
)

// Strap is a fixed jumper on the device board.
type Strap struct {
	Contact    int       `json:"contact"`
	Kind       StrapKind `json:"kind"`
	Channel    ChannelID `json:"channel,omitempty"`
	To         int       `json:"to,omitempty"`
	Resistance float64   `json:"resistance,omitempty"` // ohms
}

// PinMap says which contact each pin of a device sits on, on one bench.
type PinMap struct {
	Device   string      `json:"device"`
	Bench    string      `json:"bench"`
	Contacts map[int]int `json:"contacts"` // pin number → contact
	Straps   []Strap     `json:"straps,omitempty"`
}

// Mode is which quantity a channel forces.
type Mode string

const (
	ForceVoltage Mode = "voltage"
	ForceCurrent Mode = "current"
)

// Setup is everything that is set on a channel at once.
type Setup struct {
	Mode       Mode
	Level      float64 // V or A
	Range      float64 // full scale of the forced quantity; 0: smallest that holds Level
	Compliance float64 // limit of the quantity not forced: A or V, positive
	SenseRange float64 // full scale for the quantity not forced; 0: smallest that holds Compliance
	Remote     bool    // use the sense terminals
}

// Flags mark a reading that is no measure of the set condition, or an event at
// it.
type Flags uint16

const (
	InCompliance Flags = 1 << iota // the set condition was not reached
	OverRange                      // the converter was at its end
	NotSettled                     // "until stable" timed out
	OutOfLimit                     // beyond a limit of its measurement
	AfterFault                     // taken before a fault was noticed; not to be trusted
	// Auxiliary marks what was read for a correction: a level that is held, read
	// back, or a pin beside the stated conditions.
	Auxiliary
)

// Has reports whether every flag of g is set.
func (f Flags) Has(g Flags) bool { return f&g == g }

// flagWords name the flags in exports and in the API, from the lowest bit on.
var flagWords = []string{"in compliance", "over range", "not settled", "out of limit", "after fault", "auxiliary"}

// Words names the flags that are set, from the lowest bit on; nil for none.
func (f Flags) Words() []string {
	var out []string
	for i, word := range flagWords {
		if f.Has(1 << i) {
			out = append(out, word)
		}
	}
	return out
}

// Sample is what a channel sensed at one instant.
type Sample struct {
	Channel ChannelID
	At      time.Time
	V, I    float64 // V, A; I is positive out of the channel into the pin
	Flags   Flags
}

// Identity is a bench's answer to who it is.
type Identity struct {
	Name      string `json:"name"`
	Serial    string `json:"serial"`
	Version   string `json:"version"`
	Rehearsal bool   `json:"rehearsal"`
}

// Fault is something that the bench itself reports as wrong.
type Fault struct {
	At      time.Time `json:"at"`
	Code    int       `json:"code"`
	Message string    `json:"message"`
	Channel ChannelID `json:"channel,omitempty"`
}

// State is what is known of a bench's outputs. After a lost link it is
// Unknown, never Safe.
type State string

const (
	Safe      State = "safe"
	Energised State = "energised"
	Unknown   State = "unknown"
)

// Link is the interface to a bench: all that the rest of Ohmkeep knows of it.
// A Link is used by one goroutine at a time, except MakeSafe, which may be
// called at any moment from any goroutine and makes a call in flight return
// early with ErrMadeSafe. Every other error means that the state of the
// outputs is unknown.
type Link interface {
	Identify(ctx context.Context) (Identity, error)
	// Set configures a channel. A level change takes effect at once when the
	// output is on.
	Set(ctx context.Context, ch ChannelID, s Setup) error
	// Output switches a channel's output.
	Output(ctx context.Context, ch ChannelID, on bool) error
	// Close closes exactly these paths and opens all others, break before make.
	Close(ctx context.Context, paths []PathID) error
	// Read integrates the named channels together over the aperture and appends
	// one sample for each to dst, in the order asked.
	Read(ctx context.Context, channels []ChannelID, aperture time.Duration, dst []Sample) ([]Sample, error)
	// MakeSafe takes all outputs to zero and off and opens all paths.
	MakeSafe(ctx context.Context) error
	// Faults returns and clears what the bench has reported. It is asked before
	// anything read is passed on, many times a second: it should answer from
	// what has come in already.
	Faults(ctx context.Context) ([]Fault, error)
}

// Clock is the time source of a bench: it tells the time and waits. The real
// one waits; a rehearsal may use one that only counts.
type Clock interface {
	Now() time.Time
	// Sleep waits for d or until the context ends, whose error it returns.
	Sleep(ctx context.Context, d time.Duration) error
}

// Package protocol is the protocol between host and card, as data: the table
// of commands, from which come the tree that a card's parser uses and the
// reference from which a card's firmware can be written.
package protocol

import "time"

// Limits that a card and its host must keep to. The times are how long a host
// waits beside its connection's timeout.
const (
	// MaxMessage is the largest length of a message with its LF, in bytes.
	MaxMessage = 1024
	// MinErrors is the least capacity of a card's error queue, in errors.
	MinErrors = 16
	// MaxIdentity is the largest length of the answer to *IDN?, in characters:
	// IEEE 488.2, 10.14.
	MaxIdentity = 72
	// Version is the edition of SCPI that is spoken.
	Version = "1999.0"

	SettingTime = 20 * time.Millisecond // of a setting or a question
	ReadTime    = 50 * time.Millisecond // of a reading, beside aperture times count
	SafeTime    = 50 * time.Millisecond // of *RST and of ABORt

	// DefaultWatchdog is the silence after which a card makes itself safe.
	DefaultWatchdog = 2 * time.Second
)

// Limits and defaults of settings.
const (
	MinAperture     = 10e-6 // s
	MaxAperture     = 10.0  // s
	DefaultAperture = 0.02  // s
	MaxCount        = 1000  // apertures that are averaged
)

// Bits of a reading's status.
const (
	AtLimit   = 1 << iota // the limit of the quantity not forced was reached
	OverRange             // beyond what the range can tell
	OutputOn
	ErrorWaits // the error queue is not empty
)

// Values in a reading for each channel: v, i, status, level.
const ReadingValues = 4

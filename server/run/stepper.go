package run

import (
	"ohmkeep/server/bench"
)

// Stepper is a bench.Link in front of another. While it is on, every call but
// MakeSafe waits until a person lets it through.
type Stepper struct {
	bench.Link
}

// NewStepper makes a stepper that is off.
func NewStepper(link bench.Link) *Stepper { return &Stepper{Link: link} }

package procedure

import (
	"fmt"

	"ohmkeep/server/dut"
)

// MaxJSON is the largest JSON text of a procedure, in bytes.
const MaxJSON = 4 << 20

// ParseProcedure reads a procedure from JSON. Unknown fields, text after the
// document, text that is not UTF-8 and more than MaxJSON bytes are refused.
// Whether the procedure makes sense is for Validate.
func ParseProcedure(data []byte) (Procedure, error) {
	var p Procedure
	if err := dut.ReadJSON(data, MaxJSON, &p); err != nil {
		return Procedure{}, fmt.Errorf("read the procedure: %w", err)
	}
	return p, nil
}

// Canonical is the procedure as JSON, the same bytes for the same content: fields
// in a fixed order, keys of limits sorted, no space, empty lists written alike.
// It fails for numbers that JSON cannot carry.
func (p Procedure) Canonical() ([]byte, error) {
	measurements := make([]Measurement, len(p.Measurements))
	for i, m := range p.Measurements {
		if m.Pins == nil {
			m.Pins = []int{}
		}
		measurements[i] = m
	}
	p.Measurements = measurements
	b, err := dut.WriteJSON(p)
	if err != nil {
		return nil, fmt.Errorf("write the procedure: %w", err)
	}
	return b, nil
}

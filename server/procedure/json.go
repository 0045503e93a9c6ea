package procedure

import (
	"encoding/json"
	"fmt"

	"ohmkeep/server/dut"
)

// MaxJSON is the largest JSON text of a procedure, in bytes.
const MaxJSON = 4 << 20

// Format is the number of the document format that Canonical writes. A change
// that an older program would misread takes the next number.
const Format = 1

// document is a procedure as it is written: the format before all else.
type document struct {
	Format int `json:"format"`
	Procedure
}

// ParseProcedure reads a procedure from JSON. Unknown fields, text after the
// document, text that is not UTF-8 and more than MaxJSON bytes are refused, and
// so is a document of a newer format; one without a format is of the first.
// Whether the procedure makes sense is for Validate.
func ParseProcedure(data []byte) (Procedure, error) {
	// The format is asked for first: a newer document should be refused for
	// what it is, not for a field that is not known here.
	var head struct {
		Format *int `json:"format"`
	}
	if len(data) <= MaxJSON && json.Unmarshal(data, &head) == nil && head.Format != nil {
		switch n := *head.Format; {
		case n > Format:
			return Procedure{}, fmt.Errorf("read the procedure: it is of format %d and this program reads up to %d: update the program, or export the procedure from an older one", n, Format)
		case n < 1:
			return Procedure{}, fmt.Errorf("read the procedure: there is no format %d: it is %d", n, Format)
		}
	}
	var doc document
	if err := dut.ReadJSON(data, MaxJSON, &doc); err != nil {
		return Procedure{}, fmt.Errorf("read the procedure: %w", err)
	}
	if err := strictOwn(data); err != nil {
		return Procedure{}, fmt.Errorf("read the procedure: %w", err)
	}
	return doc.Procedure, nil
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
	b, err := dut.WriteJSON(document{Format, p})
	if err != nil {
		return nil, fmt.Errorf("write the procedure: %w", err)
	}
	return b, nil
}

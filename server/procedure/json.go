package procedure

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"unicode/utf8"
)

// MaxJSON is the largest JSON text of a procedure, in bytes.
const MaxJSON = 4 << 20

// ParseProcedure reads a procedure from JSON. Unknown fields, text after the
// document, text that is not UTF-8 and more than MaxJSON bytes are refused.
// Whether the procedure makes sense is for Validate.
func ParseProcedure(data []byte) (Procedure, error) {
	if len(data) > MaxJSON {
		return Procedure{}, fmt.Errorf("the procedure has %d bytes; at most %d are read", len(data), MaxJSON)
	}
	if !utf8.Valid(data) {
		return Procedure{}, errors.New("the procedure is not valid UTF-8 text")
	}
	var p Procedure
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&p); err != nil {
		return Procedure{}, fmt.Errorf("read the procedure: %w", err)
	}
	if _, err := dec.Token(); err != io.EOF {
		return Procedure{}, errors.New("read the procedure: there is more text after its end")
	}
	return p, nil
}

// Canonical is the procedure as JSON, the same bytes for the same content: fields
// in a fixed order, keys of limits sorted, no space, empty lists written alike.
// It fails for numbers that JSON cannot carry.
func (p Procedure) Canonical() ([]byte, error) {
	ms := make([]Measurement, len(p.Measurements))
	for i, m := range p.Measurements {
		ms[i] = m.canonical()
	}
	p.Measurements = ms
	p.Guard += 0 // -0 is 0
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(p); err != nil {
		return nil, fmt.Errorf("write the procedure: %w", err)
	}
	return bytes.TrimRight(buf.Bytes(), "\n"), nil
}

// canonical writes nothing-at-all in one way.
func (m Measurement) canonical() Measurement {
	if m.Pins == nil {
		m.Pins = []int{}
	}
	return m
}

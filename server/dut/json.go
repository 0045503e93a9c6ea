package dut

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"unicode/utf8"
)

// MaxJSON is the largest JSON text of a device, in bytes.
const MaxJSON = 1 << 20

// ParseDevice reads a device from JSON. Unknown fields, text after the document,
// text that is not UTF-8 and more than MaxJSON bytes are refused. Whether the
// device makes sense is for Validate.
func ParseDevice(data []byte) (Device, error) {
	var d Device
	if err := ReadJSON(data, MaxJSON, &d); err != nil {
		return Device{}, fmt.Errorf("read the device: %w", err)
	}
	return d, nil
}

// Canonical is the device as JSON, the same bytes for the same content: fields in
// a fixed order, no space. It fails for numbers that JSON cannot carry.
func (d Device) Canonical() ([]byte, error) {
	if d.Pins == nil {
		d.Pins = []Pin{}
	}
	b, err := WriteJSON(d)
	if err != nil {
		return nil, fmt.Errorf("write the device: %w", err)
	}
	return b, nil
}

// ReadJSON reads one JSON document of at most most bytes into v and refuses what
// v has no field for, so that a misspelt field is never dropped in silence.
func ReadJSON(data []byte, most int, v any) error {
	if len(data) > most {
		return fmt.Errorf("it has %d bytes; at most %d are read", len(data), most)
	}
	if !utf8.Valid(data) {
		return errors.New("it is not valid UTF-8 text")
	}
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		return err
	}
	if _, err := dec.Token(); err != io.EOF {
		return errors.New("there is more text after its end")
	}
	return nil
}

// WriteJSON writes v as JSON without space and without escapes that only HTML
// needs.
func WriteJSON(v any) ([]byte, error) {
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimRight(buf.Bytes(), "\n"), nil
}

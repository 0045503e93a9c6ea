package procedure

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// plainMeasurement is a measurement without its methods: as encoding/json writes
// the members of a struct.
type plainMeasurement Measurement

// MarshalJSON writes the fields of a kind's own among the others, sorted behind
// them, so that a reader cannot tell which are which.
func (m Measurement) MarshalJSON() ([]byte, error) {
	body, err := dut.WriteJSON(plainMeasurement(m))
	if err != nil || len(m.Own) == 0 {
		return body, err
	}
	for _, name := range slices.Sorted(maps.Keys(m.Own)) {
		if memberNamed(name) {
			return nil, fmt.Errorf("measurement %q: %s is no field of a kind's own", clip(m.ID), name)
		}
		key, err := dut.WriteJSON(name)
		if err != nil {
			return nil, err
		}
		value, err := dut.WriteJSON(m.Own[name])
		if err != nil {
			return nil, err
		}
		body = append(body[:len(body)-1], ',')
		body = append(append(append(append(body, key...), ':'), value...), '}')
	}
	return body, nil
}

// UnmarshalJSON puts what is no member of Measurement into Own. Whether a kind
// has such fields is for Validate and ParseProcedure.
func (m *Measurement) UnmarshalJSON(data []byte) error {
	// Most measurements have no field of their own: they are read in one go.
	*m = Measurement{}
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	if dec.Decode((*plainMeasurement)(m)) == nil {
		return nil
	}
	*m = Measurement{}
	if err := json.Unmarshal(data, (*plainMeasurement)(m)); err != nil {
		return err
	}
	var all map[string]any
	if err := json.Unmarshal(data, &all); err != nil {
		return err
	}
	for name, v := range all {
		if v == nil || memberNamed(name) {
			continue
		}
		if m.Own == nil {
			m.Own = map[string]any{}
		}
		m.Own[name] = v
	}
	return nil
}

// memberNames are the JSON names of Measurement's members.
var memberNames = func() (out []string) {
	for f := range reflect.TypeFor[Measurement]().Fields() {
		if name, _, _ := strings.Cut(f.Tag.Get("json"), ","); name != "-" {
			out = append(out, name)
		}
	}
	return out
}()

// memberNamed reports whether encoding/json would read a name into a member: it
// does not mind the case of letters.
func memberNamed(name string) bool {
	return slices.ContainsFunc(memberNames, func(n string) bool { return strings.EqualFold(n, name) })
}

// strictOwn refuses, in the text of a procedure, fields of measurements that are
// neither members of Measurement nor a kind's own, at any depth.
func strictOwn(data []byte) error {
	var doc struct {
		Measurements []map[string]json.RawMessage `json:"measurements"`
	}
	if err := json.Unmarshal(data, &doc); err != nil {
		return nil // of another shape: told by who reads it whole
	}
	own := OwnFields()
	for i, fields := range doc.Measurements {
		maps.DeleteFunc(fields, func(name string, _ json.RawMessage) bool {
			_, ours := fieldNamed(own, name)
			return ours
		})
		text, err := json.Marshal(fields)
		if err != nil {
			return err
		}
		dec := json.NewDecoder(bytes.NewReader(text))
		dec.DisallowUnknownFields()
		if err := dec.Decode(new(plainMeasurement)); err != nil {
			return fmt.Errorf("measurement %d: %w", i+1, err)
		}
	}
	return nil
}

// ownFields checks the fields of the kind's own: that they are the kind's, of the
// type that it says, within their bounds, and there where they must be.
func (c *checker) ownFields() {
	for _, name := range slices.Sorted(maps.Keys(c.m.Own)) {
		f, ok := fieldNamed(c.kind.fields, name)
		switch {
		case !ok || !f.own:
			c.ps.Add(name, "is not used by %s: leave it out", c.kind.title)
		case !f.ownFits(c.m.Own[name]):
			c.ps.Add(name, "is not a %s", f.Type)
		}
	}
	for _, f := range c.kind.fields {
		if f.own && !(f.Usual && f.Empty(c.m)) {
			c.ownField(f)
		}
	}
}

// ownField checks a field that must be there, or that is.
func (c *checker) ownField(f Field) {
	bounded := f.Least != 0 || f.Most != 0
	switch f.Type {
	case FieldQuantity:
		if bounded {
			c.between(f.Name, Get[float64](f, c.m), f.Least, f.Most, f.UnitFor(c.m.Use))
		}
	case FieldCount:
		if bounded {
			c.between(f.Name, float64(Get[int](f, c.m)), f.Least, f.Most, quantity.One)
		}
	case FieldPin:
		c.onDevice(f.Name, Get[int](f, c.m), true)
	case FieldChoice:
		if v := Get[string](f, c.m); !slices.Contains(f.Choices, v) {
			c.ps.Add(f.Name, "%q is not one of %s", clip(v), strings.Join(f.Choices, ", "))
		}
	}
}

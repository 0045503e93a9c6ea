// Package apidoc describes the API from its Go types: JSON Schema 2020-12, the
// OpenAPI document, and a decoder of bodies that is exactly as strict as that
// document. There is one maker of schemas for everything that the program
// describes. It knows no routes and no store: the table of endpoints is given to
// it as plain data.
package apidoc

import (
	"encoding/json"
	"strings"
)

// Schema is the part of JSON Schema 2020-12 that describes the program's types.
// An empty schema allows anything.
type Schema struct {
	Ref                  string             `json:"$ref,omitempty"`
	Type                 JSONTypes          `json:"type,omitempty"`
	Format               string             `json:"format,omitempty"`
	Description          string             `json:"description,omitempty"`
	Enum                 []string           `json:"enum,omitempty"`
	MaxLength            int                `json:"maxLength,omitempty"` // Unicode characters
	Minimum              *float64           `json:"minimum,omitempty"`
	Maximum              *float64           `json:"maximum,omitempty"`
	Properties           map[string]*Schema `json:"properties,omitempty"`
	Required             []string           `json:"required,omitempty"`
	Items                *Schema            `json:"items,omitempty"`
	PropertyNames        *Schema            `json:"propertyNames,omitempty"`
	Pattern              string             `json:"pattern,omitempty"`
	AdditionalProperties *Additional        `json:"additionalProperties,omitempty"`
	OneOf                []*Schema          `json:"oneOf,omitempty"`
	// What documents of their own have besides.
	MinLength int                `json:"minLength,omitempty"` // Unicode characters
	MaxItems  int                `json:"maxItems,omitempty"`
	Default   any                `json:"default,omitempty"`
	Dialect   string             `json:"$schema,omitempty"`
	ID        string             `json:"$id,omitempty"`
	Title     string             `json:"title,omitempty"`
	Defs      map[string]*Schema `json:"$defs,omitempty"`
}

// dialect2020 is the version of JSON Schema that all schemas are written in.
const dialect2020 = "https://json-schema.org/draft/2020-12/schema"

// JSONTypes is one JSON type, or one and null.
type JSONTypes []string

// MarshalJSON writes a single type without a list around it.
func (t JSONTypes) MarshalJSON() ([]byte, error) {
	if len(t) == 1 {
		return json.Marshal(t[0])
	}
	return json.Marshal([]string(t))
}

// UnmarshalJSON reads a single type or a list of them.
func (t *JSONTypes) UnmarshalJSON(b []byte) error {
	var one string
	if err := json.Unmarshal(b, &one); err == nil {
		*t = JSONTypes{one}
		return nil
	}
	return json.Unmarshal(b, (*[]string)(t))
}

// Additional is the schema of an object's properties that have no name in it;
// nil is that there must be none.
type Additional struct{ Of *Schema }

// MarshalJSON writes false where there must be none.
func (a Additional) MarshalJSON() ([]byte, error) {
	if a.Of == nil {
		return []byte("false"), nil
	}
	return json.Marshal(a.Of)
}

// UnmarshalJSON reads false or a schema.
func (a *Additional) UnmarshalJSON(b []byte) error {
	if string(b) == "false" {
		a.Of = nil
		return nil
	}
	return json.Unmarshal(b, &a.Of)
}

// Whole is a whole number within bounds.
func Whole(low, high float64) Schema {
	return Schema{Type: JSONTypes{"integer"}, Minimum: &low, Maximum: &high}
}

// Text is a text of at most so many characters, 0 for any number, and where
// words are given one of them.
func Text(most int, words ...string) Schema {
	return Schema{Type: JSONTypes{"string"}, MaxLength: most, Enum: words}
}

// Flag is true or false.
func Flag() Schema { return Schema{Type: JSONTypes{"boolean"}} }

// resolve follows a reference into the schemas made beside it.
func (m *Maker) resolve(x *Schema) *Schema {
	if x.Ref == "" {
		return x
	}
	return m.Components[strings.TrimPrefix(x.Ref, m.style.prefix)]
}

package routes

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"ohmkeep/server/dut"
)

// schema is the part of JSON Schema 2020-12 that describes the API's types. An
// empty schema allows anything.
type schema struct {
	Ref                  string             `json:"$ref,omitempty"`
	Type                 types              `json:"type,omitempty"`
	Format               string             `json:"format,omitempty"`
	Description          string             `json:"description,omitempty"`
	Enum                 []string           `json:"enum,omitempty"`
	MaxLength            int                `json:"maxLength,omitempty"` // Unicode characters
	Minimum              *float64           `json:"minimum,omitempty"`
	Maximum              *float64           `json:"maximum,omitempty"`
	Properties           map[string]*schema `json:"properties,omitempty"`
	Required             []string           `json:"required,omitempty"`
	Items                *schema            `json:"items,omitempty"`
	PropertyNames        *schema            `json:"propertyNames,omitempty"`
	Pattern              string             `json:"pattern,omitempty"`
	AdditionalProperties *additional        `json:"additionalProperties,omitempty"`
	OneOf                []*schema          `json:"oneOf,omitempty"`
}

// types is one JSON type, or one and null.
type types []string

func (t types) MarshalJSON() ([]byte, error) {
	if len(t) == 1 {
		return json.Marshal(t[0])
	}
	return json.Marshal([]string(t))
}

// additional is false, or the schema of an object's other properties.
type additional struct{ of *schema }

func (a additional) MarshalJSON() ([]byte, error) {
	if a.of == nil {
		return []byte("false"), nil
	}
	return json.Marshal(a.of)
}

// schemas makes schemas from Go types, by the rules of encoding/json. Structs
// become components, referred to by name.
type schemas struct {
	Components map[string]*schema
	names      map[reflect.Type]string
}

func newSchemas() *schemas {
	return &schemas{Components: map[string]*schema{}, names: map[reflect.Type]string{}}
}

const componentPrefix = "#/components/schemas/"

// resolve follows a reference.
func (s *schemas) resolve(x *schema) *schema {
	if x.Ref == "" {
		return x
	}
	return s.Components[strings.TrimPrefix(x.Ref, componentPrefix)]
}

var (
	timeType = reflect.TypeFor[time.Time]()
	rawType  = reflect.TypeFor[json.RawMessage]()
)

// of returns the schema of a type. It panics on a type that has none: that is
// a mistake in the table of endpoints, which every start would meet.
func (s *schemas) of(t reflect.Type) *schema {
	switch {
	case t == timeType:
		return &schema{Type: types{"string"}, Format: "date-time"}
	case t == reflect.TypeFor[nullable]():
		return &schema{Type: types{"number", "null"}, Format: "double"}
	case t == rawType || t.Kind() == reflect.Interface:
		return &schema{}
	}
	if words, ok := enums[t]; ok {
		return &schema{Type: types{"string"}, Enum: words}
	}
	switch t.Kind() {
	case reflect.Bool:
		return &schema{Type: types{"boolean"}}
	case reflect.String:
		return &schema{Type: types{"string"}}
	case reflect.Float64:
		return &schema{Type: types{"number"}, Format: "double"}
	case reflect.Int, reflect.Int64, reflect.Uint64, reflect.Uint32, reflect.Uint16, reflect.Uint8:
		return integer(t)
	case reflect.Slice:
		return &schema{Type: types{"array"}, Items: s.of(t.Elem())}
	case reflect.Map:
		return s.object(t)
	case reflect.Pointer:
		return orNull(s.of(t.Elem()))
	case reflect.Struct:
		return s.component(t)
	}
	panic(fmt.Sprintf("routes: no schema for type %s", t))
}

func integer(t reflect.Type) *schema {
	x := &schema{Type: types{"integer"}}
	zero := 0.0
	switch t.Kind() {
	case reflect.Int, reflect.Int64:
		x.Format = "int64"
		return x
	case reflect.Uint64:
		x.Format, x.Minimum = "uint64", &zero
		return x
	}
	most := math.Exp2(float64(t.Bits())) - 1
	x.Minimum, x.Maximum = &zero, &most
	return x
}

func orNull(x *schema) *schema {
	if x.Ref != "" {
		return &schema{OneOf: []*schema{x, {Type: types{"null"}}}}
	}
	x.Type = append(x.Type, "null")
	return x
}

func (s *schemas) object(t reflect.Type) *schema {
	x := &schema{Type: types{"object"}, AdditionalProperties: &additional{s.of(t.Elem())}}
	if t.Key().Kind() != reflect.String {
		x.PropertyNames = &schema{Pattern: wholeNumber}
	}
	return x
}

// wholeNumber is what a number looks like as an object's key.
const wholeNumber = `^(0|-?[1-9][0-9]{0,9})$`

// component describes a struct once, and refers to it.
func (s *schemas) component(t reflect.Type) *schema {
	name, known := s.names[t]
	if !known {
		name = componentName(t)
		if _, taken := s.Components[name]; taken {
			panic(fmt.Sprintf("routes: two types are called %s in the API", name))
		}
		s.names[t] = name
		x := &schema{Type: types{"object"}, Properties: map[string]*schema{}, AdditionalProperties: &additional{}}
		s.Components[name] = x // before its fields, which may refer back
		s.fields(t, x)
		slices.Sort(x.Required)
	}
	return &schema{Ref: componentPrefix + name}
}

func (s *schemas) fields(t reflect.Type, x *schema) {
	for f := range t.Fields() {
		tag, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if tag == "-" || !f.IsExported() && !f.Anonymous {
			continue
		}
		if f.Anonymous && tag == "" {
			s.fields(f.Type, x)
			continue
		}
		if tag == "" {
			panic(fmt.Sprintf("routes: field %s of %s has no JSON name", f.Name, t))
		}
		p := s.of(f.Type)
		describe(p, f)
		x.Properties[tag] = p
		if !strings.Contains(options, "omit") {
			x.Required = append(x.Required, tag)
		}
	}
}

// describe takes what a field's own tags say: doc, a sentence with the unit,
// and max, the most characters of a string.
func describe(p *schema, f reflect.StructField) {
	p.Description = f.Tag.Get("doc")
	if most, err := strconv.Atoi(f.Tag.Get("max")); err == nil {
		p.MaxLength = most
	}
}

// componentName is the type's own name without the api that tells the API's
// own types apart; of a generic type, all names joined: apiList[dut.Device] is
// ListOfDevice.
func componentName(t reflect.Type) string {
	if name, ok := componentNames[t]; ok {
		return name
	}
	var names []string
	for _, part := range strings.Split(strings.TrimRight(t.Name(), "]"), "[") {
		part = part[strings.LastIndexAny(part, "./")+1:]
		names = append(names, exported(strings.TrimPrefix(part, "api")))
	}
	return strings.Join(names, "Of")
}

// componentNames are for types that would share a name with one of another
// package.
var componentNames = map[reflect.Type]string{
	reflect.TypeFor[dut.Note](): "TableNote",
}

func exported(name string) string {
	r := []rune(name)
	r[0] = unicode.ToUpper(r[0])
	return string(r)
}

// sortedKeys returns the keys of m in order.
func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

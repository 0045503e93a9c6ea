package apidoc

import (
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// Maker makes schemas from Go types, by the rules of encoding/json. Structs
// become components, referred to by name.
type Maker struct {
	Components map[string]*Schema
	types      *Types
	style      style
	names      map[reflect.Type]string
}

// style is what differs between the documents that schemas are made for.
type style struct {
	prefix string // of references to components
	// plain leaves out what clients of the API are told and a person who writes
	// a document need not know: formats of numbers, and null for what is absent.
	plain bool
	// required tells whether a field must be there.
	required func(owner reflect.Type, name, options string) bool
	// finish adds to a component what its type alone does not say.
	finish func(t reflect.Type, x *Schema)
}

// componentPrefix leads to the components of an OpenAPI document.
const componentPrefix = "#/components/schemas/"

// apiStyle is that of the API's document: whatever is not left out when it is
// empty is always there.
var apiStyle = style{
	prefix: componentPrefix,
	required: func(owner reflect.Type, name, options string) bool {
		left := owner == reflect.TypeFor[procedure.Measurement]() && slices.Contains(procedure.MayBeLeftOut, name)
		return !left && !strings.Contains(options, "omit")
	},
}

// NewMaker makes an empty set of schemas in the API's style.
func (ts *Types) NewMaker() *Maker { return ts.newMaker(apiStyle) }

func (ts *Types) newMaker(s style) *Maker {
	return &Maker{Components: map[string]*Schema{}, types: ts, style: s, names: map[reflect.Type]string{}}
}

var (
	timeType = reflect.TypeFor[time.Time]()
	rawType  = reflect.TypeFor[json.RawMessage]()
)

// Of returns the schema of a type. It panics on a type that has none: that is
// a mistake in the table of endpoints, which every start would meet.
func (m *Maker) Of(t reflect.Type) *Schema {
	switch {
	case t == timeType:
		return &Schema{Type: JSONTypes{"string"}, Format: "date-time"}
	case t == reflect.TypeFor[Nullable]():
		return &Schema{Type: JSONTypes{"number", "null"}, Format: "double"}
	case t == rawType || t.Kind() == reflect.Interface:
		return &Schema{}
	}
	if words, ok := m.types.words[t]; ok {
		return &Schema{Type: JSONTypes{"string"}, Enum: words}
	}
	switch t.Kind() {
	case reflect.Bool:
		return &Schema{Type: JSONTypes{"boolean"}}
	case reflect.String:
		return &Schema{Type: JSONTypes{"string"}}
	case reflect.Float64:
		return &Schema{Type: JSONTypes{"number"}, Format: m.format("double")}
	case reflect.Int, reflect.Int64, reflect.Uint64, reflect.Uint32, reflect.Uint16, reflect.Uint8:
		return m.integer(t)
	case reflect.Slice:
		return &Schema{Type: JSONTypes{"array"}, Items: m.Of(t.Elem())}
	case reflect.Map:
		return m.object(t)
	case reflect.Pointer:
		return m.orNull(m.Of(t.Elem()))
	case reflect.Struct:
		if t.Name() != "" {
			return m.component(t)
		}
	}
	panic(fmt.Sprintf("apidoc: no schema for type %s", t))
}

// format is the format of a number, where the style says it.
func (m *Maker) format(name string) string {
	if m.style.plain {
		return ""
	}
	return name
}

func (m *Maker) integer(t reflect.Type) *Schema {
	x := &Schema{Type: JSONTypes{"integer"}}
	zero := 0.0
	switch t.Kind() {
	case reflect.Int, reflect.Int64:
		x.Format = m.format("int64")
		return x
	case reflect.Uint64:
		x.Format, x.Minimum = m.format("uint64"), &zero
		return x
	}
	most := math.Exp2(float64(t.Bits())) - 1
	x.Minimum, x.Maximum = &zero, &most
	return x
}

func (m *Maker) orNull(x *Schema) *Schema {
	switch {
	case m.style.plain:
		return x
	case x.Ref != "":
		return &Schema{OneOf: []*Schema{x, {Type: JSONTypes{"null"}}}}
	}
	x.Type = append(x.Type, "null")
	return x
}

func (m *Maker) object(t reflect.Type) *Schema {
	x := &Schema{Type: JSONTypes{"object"}, AdditionalProperties: &Additional{m.Of(t.Elem())}}
	if t.Key().Kind() != reflect.String {
		x.PropertyNames = &Schema{Pattern: wholeNumber}
	}
	return x
}

// wholeNumber is what a number looks like as an object's key.
const wholeNumber = `^(0|-?[1-9][0-9]{0,9})$`

// component describes a struct once, and refers to it.
func (m *Maker) component(t reflect.Type) *Schema {
	name, known := m.names[t]
	if !known {
		name = componentName(t)
		if _, taken := m.Components[name]; taken {
			panic(fmt.Sprintf("apidoc: two types are called %s in the API", name))
		}
		m.names[t] = name
		x := &Schema{Type: JSONTypes{"object"}, Properties: map[string]*Schema{}, AdditionalProperties: &Additional{}}
		m.Components[name] = x // before its fields, which may refer back
		m.fields(t, x)
		if t == reflect.TypeFor[procedure.Measurement]() {
			m.ownFields(x)
		}
		slices.Sort(x.Required)
		if m.style.finish != nil {
			m.style.finish(t, x)
		}
	}
	return &Schema{Ref: m.style.prefix + name}
}

func (m *Maker) fields(t reflect.Type, x *Schema) {
	for f := range t.Fields() {
		tag, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if tag == "-" || !f.IsExported() && !f.Anonymous {
			continue
		}
		if f.Anonymous && tag == "" {
			m.fields(f.Type, x)
			continue
		}
		if tag == "" {
			panic(fmt.Sprintf("apidoc: field %s of %s has no JSON name", f.Name, t))
		}
		p := m.Of(f.Type)
		describe(p, f)
		x.Properties[tag] = p
		if m.style.required(t, tag, options) {
			x.Required = append(x.Required, tag)
		}
	}
}

// ownFields adds to a measurement the fields that only one kind has: they stand
// among its members in a document, and none of them must be there.
func (m *Maker) ownFields(x *Schema) {
	for _, f := range procedure.OwnFields() {
		p := &Schema{}
		switch f.Type {
		case procedure.FieldQuantity:
			p = m.Of(reflect.TypeFor[float64]())
		case procedure.FieldCount, procedure.FieldPin:
			p = m.Of(reflect.TypeFor[int]())
		case procedure.FieldFlag:
			p = m.Of(reflect.TypeFor[bool]())
		case procedure.FieldChoice:
			p = m.Of(reflect.TypeFor[string]())
			p.Enum = f.Choices
		default:
			panic(fmt.Sprintf("apidoc: no schema for field %s of type %s, which is a kind's own", f.Name, f.Type))
		}
		p.Description = f.Doc
		x.Properties[f.Name] = p
	}
}

// describe takes what a field's own tags say: doc, a sentence with the unit,
// and max, the most characters of a string.
func describe(p *Schema, f reflect.StructField) {
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
	for part := range strings.SplitSeq(strings.TrimRight(t.Name(), "]"), "[") {
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

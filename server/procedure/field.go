package procedure

import (
	"maps"
	"slices"

	"ohmkeep/server/quantity"
)

// FieldType says how a field is entered, and of which Go type its value is.
type FieldType string

const (
	FieldPins     FieldType = "pins"     // []int
	FieldPin      FieldType = "pin"      // int; 0: none
	FieldQuantity FieldType = "quantity" // float64
	FieldCount    FieldType = "count"    // int
	FieldChoice   FieldType = "choice"   // string
	FieldSweep    FieldType = "sweep"    // *Sweep
	FieldStep     FieldType = "step"     // *Step
	FieldHold     FieldType = "hold"     // []Hold
	FieldSettle   FieldType = "settle"   // Settle
	FieldAperture FieldType = "aperture" // Aperture
	FieldLimits   FieldType = "limits"   // map[string]Limit
	FieldFlag     FieldType = "flag"     // bool
)

// FieldTypes lists every type of a field.
func FieldTypes() []FieldType {
	return []FieldType{FieldPins, FieldPin, FieldQuantity, FieldCount, FieldChoice, FieldSweep, FieldStep, FieldHold,
		FieldSettle, FieldAperture, FieldLimits, FieldFlag}
}

// Section names the heading of a form that a field stands under.
type Section string

// The sections in the order of forms.
const (
	SectionPins   Section = "pins"
	SectionForce  Section = "force"
	SectionOthers Section = "others"
	SectionTiming Section = "timing"
	SectionLimits Section = "limits"
	SectionMore   Section = "more"
)

// Field describes one field of a kind: how it is entered, said, checked and
// documented, and how its value is reached in a measurement.
type Field struct {
	Name    string // JSON name in Measurement
	Label   string
	Type    FieldType
	Unit    quantity.Unit // of a quantity or a sweep; empty where By decides
	By      UnitBy
	Choices []string
	Help    string

	// Section is the part of the form that it stands in; empty is SectionMore.
	Section Section
	// Usual lets it be left out: the kind then does as is usual.
	Usual bool
	// Least and Most bound a quantity or a count of a kind's own; both 0: any.
	Least, Most float64
	// None is what the entry of a pin says where none is named. Ground lets it
	// name a ground.
	None   string
	Ground bool

	// Doc describes the field in the schema, with its unit; Rules are what its
	// type alone does not say there.
	Doc   string
	Rules map[string]any

	// Words says the field in a sentence, with %s for its value; see Phrases. A
	// field without is said by the one that SaidWith names, or by phrase.
	Words    string
	SaidWith string
	phrase   func(w *wording) []string
	said     saidAt

	value valueOf
	own   bool // is kept in Measurement.Own
}

// UnitBy says which unit a value has that is not always the same.
type UnitBy int

const (
	ByItself UnitBy = iota // the unit that is stated
	ByForced               // that of what the measured pins are forced with
	BySensed               // that of the quantity that is not forced
)

// ForcedUnit is the unit of what a use forces; SensedUnit that of the other
// quantity, which its compliance is in.
func (u Use) ForcedUnit() quantity.Unit {
	if u == UseCurrent {
		return quantity.Ampere
	}
	return quantity.Volt
}

// SensedUnit is the unit of the quantity that a use does not force.
func (u Use) SensedUnit() quantity.Unit {
	if u == UseCurrent {
		return quantity.Volt
	}
	return quantity.Ampere
}

// ForcedNoun names what a use forces, SensedNoun the other quantity.
func (u Use) ForcedNoun() string {
	if u == UseCurrent {
		return "current"
	}
	return "voltage"
}

// SensedNoun names the quantity that a use does not force.
func (u Use) SensedNoun() string {
	if u == UseCurrent {
		return "voltage"
	}
	return "current"
}

// unit is the one stated, or that which the use decides.
func (b UnitBy) unit(stated quantity.Unit, u Use) quantity.Unit {
	switch {
	case stated != "":
		return stated
	case b == ByForced:
		return u.ForcedUnit()
	case b == BySensed:
		return u.SensedUnit()
	}
	return stated
}

// UnitFor is the field's unit where the measured pins are forced so.
func (f Field) UnitFor(u Use) quantity.Unit { return f.By.unit(f.Unit, u) }

// UnitFor is the output's unit where the measured pins are forced so.
func (o Output) UnitFor(u Use) quantity.Unit {
	if o.By == ByItself {
		return o.Unit
	}
	return o.By.unit(o.Unit, u) + o.Per
}

// OutputUnit is the unit of one of the measurement's outputs.
func (m *Measurement) OutputUnit(o Output) quantity.Unit { return o.UnitFor(m.Use) }

// with returns the field with a unit of its own and, where given, a help text.
func (f Field) with(unit quantity.Unit, help string) Field {
	f.Unit = unit
	if help != "" {
		f.Help = help
	}
	return f
}

// offering returns the field with other choices, and how it is asked for.
func (f Field) offering(label, help string, choices ...string) Field {
	f.Label, f.Help, f.Choices = label, help, choices
	return f
}

// valueOf reaches the value of a field in a measurement.
type valueOf interface {
	empty(m *Measurement) bool
	// fits reports whether the value is of the Go type that the type of the field
	// goes with.
	fits(t FieldType) bool
}

// access reaches a value of type T.
type access[T any] struct {
	get func(m *Measurement) T
	set func(m *Measurement, v T)
	is0 func(v T) bool
}

func (a access[T]) empty(m *Measurement) bool { return a.is0(a.get(m)) }

func (a access[T]) fits(t FieldType) bool {
	var v T
	switch any(v).(type) {
	case float64:
		return t == FieldQuantity
	case int:
		return t == FieldPin || t == FieldCount
	case string:
		return t == FieldChoice
	case bool:
		return t == FieldFlag
	case []int:
		return t == FieldPins
	case *Sweep:
		return t == FieldSweep
	case *Step:
		return t == FieldStep
	case []Hold:
		return t == FieldHold
	case Settle:
		return t == FieldSettle
	case Aperture:
		return t == FieldAperture
	case map[string]Limit:
		return t == FieldLimits
	}
	return false
}

// Get is the value of a field in a measurement. It is the zero value where the
// field is of another type.
func Get[T any](f Field, m *Measurement) (v T) {
	if a, ok := f.value.(access[T]); ok {
		return a.get(m)
	}
	return v
}

// Set gives a field a value, and reports whether the field is of that type.
func Set[T any](f Field, m *Measurement, v T) bool {
	a, ok := f.value.(access[T])
	if ok {
		a.set(m, v)
	}
	return ok
}

// Empty reports whether the measurement says nothing in the field.
func (f Field) Empty(m *Measurement) bool { return f.value == nil || f.value.empty(m) }

// valueAt reaches a member that is empty where it is the zero value.
func valueAt[T comparable](at func(m *Measurement) *T) access[T] {
	var zero T
	return access[T]{func(m *Measurement) T { return *at(m) }, func(m *Measurement, v T) { *at(m) = v }, func(v T) bool { return v == zero }}
}

// wordAt reaches a member that is a word of its own type.
func wordAt[T ~string](at func(m *Measurement) *T) access[string] {
	return access[string]{func(m *Measurement) string { return string(*at(m)) }, func(m *Measurement, v string) { *at(m) = T(v) },
		func(v string) bool { return v == "" }}
}

// listAt reaches a member that is a list.
func listAt[T any](at func(m *Measurement) *[]T) access[[]T] {
	return access[[]T]{func(m *Measurement) []T { return *at(m) }, func(m *Measurement, v []T) { *at(m) = v }, func(v []T) bool { return len(v) == 0 }}
}

// under returns the field under a heading of the form, with a help text.
func (f Field) under(s Section, help string) Field {
	f.Section, f.Help = s, help
	return f
}

// within returns the field with bounds, which the schema states too.
func (f Field) within(least, most float64) Field {
	f.Least, f.Most = least, most
	f.Rules = maps.Clone(f.Rules)
	f.Rules["minimum"], f.Rules["maximum"] = least, most
	return f
}

// usual returns the field as one that may be left out.
func (f Field) usual() Field {
	f.Usual = true
	return f
}

// fieldNamed finds a field by its JSON name.
func fieldNamed(fields []Field, name string) (Field, bool) {
	if i := slices.IndexFunc(fields, func(f Field) bool { return f.Name == name }); i >= 0 {
		return fields[i], true
	}
	return Field{}, false
}

// Fields of a kind's own are kept in Measurement.Own. Each takes the JSON name,
// the label, how it is said in a sentence and what the schema says of it.

// OwnQuantity is a quantity that only the kind has.
func OwnQuantity(name, label string, unit quantity.Unit, words, doc string) Field {
	return Field{Name: name, Label: label, Type: FieldQuantity, Unit: unit, Words: words, Doc: doc, Rules: map[string]any{"type": "number"},
		own: true, value: ownValue(name, func(v any) (float64, bool) { x, ok := v.(float64); return x, ok }, func(v float64) any { return v })}
}

// OwnChoice is a choice that only the kind has.
func OwnChoice(name, label string, choices []string, words, doc string) Field {
	return Field{Name: name, Label: label, Type: FieldChoice, Choices: choices, Words: words, Doc: doc,
		Rules: map[string]any{"type": "string", "enum": choices},
		own:   true, value: ownValue(name, func(v any) (string, bool) { x, ok := v.(string); return x, ok }, func(v string) any { return v })}
}

// OwnCount is a whole number that only the kind has.
func OwnCount(name, label, words, doc string) Field {
	return Field{Name: name, Label: label, Type: FieldCount, Words: words, Doc: doc, Rules: map[string]any{"type": "integer"},
		own: true, value: ownValue(name, wholeOf, func(v int) any { return float64(v) })}
}

// OwnPin is a pin that only the kind names.
func OwnPin(name, label, words, doc string) Field {
	f := OwnCount(name, label, words, doc)
	f.Type, f.Rules = FieldPin, pinRules()
	f.Rules["type"] = "integer"
	return f
}

// OwnFlag is a yes or no that only the kind has.
func OwnFlag(name, label, words, doc string) Field {
	return Field{Name: name, Label: label, Type: FieldFlag, Words: words, Doc: doc, Rules: map[string]any{"type": "boolean"},
		own: true, value: ownValue(name, func(v any) (bool, bool) { x, ok := v.(bool); return x, ok }, func(v bool) any { return v })}
}

// wholeOf is a JSON number as a whole one.
func wholeOf(v any) (int, bool) {
	x, ok := v.(float64)
	return int(x), ok && x == float64(int(x))
}

// ownValue reaches a value in Measurement.Own. An empty one is taken out, so that
// the same content is always the same document.
func ownValue[T comparable](name string, from func(any) (T, bool), to func(T) any) access[T] {
	var zero T
	return access[T]{
		get: func(m *Measurement) T { v, _ := from(m.Own[name]); return v },
		set: func(m *Measurement, v T) {
			own := maps.Clone(m.Own) // copies of a measurement share it
			delete(own, name)
			if v != zero {
				if own == nil {
					own = map[string]any{}
				}
				own[name] = to(v)
			}
			if len(own) == 0 {
				own = nil
			}
			m.Own = own
		},
		is0: func(v T) bool { return v == zero },
	}
}

// ownFits reports whether what stands in Measurement.Own is a value of the field.
func (f Field) ownFits(v any) bool {
	switch f.Type {
	case FieldQuantity:
		_, ok := v.(float64)
		return ok
	case FieldPin, FieldCount:
		_, ok := wholeOf(v)
		return ok
	case FieldChoice:
		_, ok := v.(string)
		return ok
	case FieldFlag:
		_, ok := v.(bool)
		return ok
	}
	return false
}

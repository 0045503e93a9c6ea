package procedure

import "ohmkeep/server/quantity"

// kinds is the table of every kind of measurement, in the order of forms.
var kinds = []Kind{
	contactKind, shortsKind, leakageKind, supplyCurrentKind, outputLevelKind,
	thresholdKind, resistanceKind, voltageKind, sweepKind, watchKind,
}

// Kinds lists every kind of measurement in the order that forms show them. The
// slice is the caller's.
func Kinds() []Kind { return append([]Kind(nil), kinds...) }

// KindByKey finds a kind by its stable key.
func KindByKey(key string) (Kind, bool) {
	for _, k := range kinds {
		if k.Key() == key {
			return k, true
		}
	}
	return nil, false
}

// facts is what is fixed about a kind; each kind embeds it.
type facts struct {
	key, title, summary string
	fields              []Field
	outputs             []Output
	powered             bool // makes sense only with the supplies up
}

func (f *facts) Key() string       { return f.key }
func (f *facts) Title() string     { return f.title }
func (f *facts) Summary() string   { return f.summary }
func (f *facts) Fields() []Field   { return append([]Field(nil), f.fields...) }
func (f *facts) Outputs() []Output { return append([]Output(nil), f.outputs...) }

// uses reports whether the kind uses the field of that JSON name.
func (f *facts) uses(name string) bool {
	for _, g := range f.fields {
		if g.Name == name {
			return true
		}
	}
	return false
}

func (f *facts) output(key string) (Output, bool) {
	for _, o := range f.outputs {
		if o.Key == key {
			return o, true
		}
	}
	return Output{}, false
}

// The fields that several kinds share.
var (
	fieldPins = Field{Name: "pins", Label: "Pins", Type: FieldPins,
		Help: "measured one after the other"}
	fieldHold = Field{Name: "hold", Label: "Other pins", Type: FieldHold,
		Help: "what other pins are held at; a supply named here keeps to this instead of its power step"}
	fieldPowered = Field{Name: "powered", Label: "Supplies up", Type: FieldFlag,
		Help: "brings the supplies up in the device's power order first"}
	fieldRest = Field{Name: "rest", Label: "Other inputs", Type: FieldChoice,
		Choices: []string{string(UseReturn), string(UseOpen)},
		Help:    "inputs that nothing names; left out: return with the supplies up, otherwise open"}
	fieldUse = Field{Name: "use", Label: "Force", Type: FieldChoice,
		Choices: []string{string(UseVoltage), string(UseCurrent)}, Help: "what the measured pin is forced with"}
	fieldLevel = Field{Name: "level", Label: "Level", Type: FieldQuantity,
		Help: "current is positive into the pin"}
	fieldCompliance = Field{Name: "compliance", Label: "Compliance", Type: FieldQuantity,
		Help: "limit of the quantity that is not forced"}
	fieldAgainst = Field{Name: "against", Label: "Second terminal", Type: FieldPin,
		Help: "pin that is tied to the return; none: the device's grounds"}
	fieldObserve = Field{Name: "observe", Label: "Watched output", Type: FieldPin,
		Help: "pin whose voltage answers"}
	fieldSweep   = Field{Name: "sweep", Label: "Sweep", Type: FieldSweep}
	fieldStep    = Field{Name: "step", Label: "Step a second pin", Type: FieldStep, Help: "a curve for each of its levels"}
	fieldRepeats = Field{Name: "repeats", Label: "Readings a point", Type: FieldCount,
		Help: "their mean is taken, and their scatter goes into the uncertainty"}
	fieldSettle   = Field{Name: "settle", Label: "Settle", Type: FieldSettle}
	fieldAperture = Field{Name: "aperture", Label: "Aperture", Type: FieldAperture}
	fieldLimits   = Field{Name: "limits", Label: "Limits", Type: FieldLimits}
)

// fieldsOf puts the fields that every kind has behind its own.
func fieldsOf(own ...Field) []Field {
	return append(own, fieldSettle, fieldAperture, fieldLimits)
}

// with returns the field with a unit of its own and, where given, a help text.
func (f Field) with(unit quantity.Unit, help string) Field {
	f.Unit = unit
	if help != "" {
		f.Help = help
	}
	return f
}

// unitForced is the unit of the quantity that a use forces, unitSensed that of
// the other one.
func unitForced(u Use) quantity.Unit {
	if u == UseCurrent {
		return quantity.Ampere
	}
	return quantity.Volt
}

func unitSensed(u Use) quantity.Unit {
	if u == UseCurrent {
		return quantity.Volt
	}
	return quantity.Ampere
}

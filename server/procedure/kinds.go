package procedure

import (
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

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
	together            bool // measures its pins against each other
}

func (f *facts) Key() string       { return f.key }
func (f *facts) Title() string     { return f.title }
func (f *facts) Summary() string   { return f.summary }
func (f *facts) Fields() []Field   { return append([]Field(nil), f.fields...) }
func (f *facts) Outputs() []Output { return append([]Output(nil), f.outputs...) }

// What most kinds have in common: every reading counts, pins are measured one by
// one, and nothing is known of their levels beforehand.

func (f *facts) Shorten(*Measurement) {}
func (f *facts) Together() bool       { return f.together }
func (f *facts) Drives(*Measurement, *dut.Device, int) Driven {
	return Driven{}
}

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

// gives is an output with a unit of its own.
func gives(key, name string, unit quantity.Unit) Output {
	return Output{Key: key, Name: name, Unit: unit}
}

// sensedIn is an output in the unit of what is sensed, per where given.
func sensedIn(key, name string, per quantity.Unit) Output {
	return Output{Key: key, Name: name, By: BySensed, Per: per}
}

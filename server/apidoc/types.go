package apidoc

import (
	"encoding/json"
	"maps"
	"math"
	"reflect"
	"sync"

	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// Types is what is known of Go types that reflection does not say: the words
// that a string type has. It keeps the schemas of the bodies that it decodes,
// and may be used by many at once.
type Types struct {
	words  map[reflect.Type][]string
	bodies sync.Map // reflect.Type → body
}

// NewTypes makes a Types that also knows the words of the caller's own types.
func NewTypes(own map[reflect.Type][]string) *Types {
	words := maps.Clone(domainWords)
	maps.Copy(words, own)
	return &Types{words: words}
}

// domainWords are the string types of the packages below that hold one of a few
// words.
var domainWords = map[reflect.Type][]string{
	reflect.TypeFor[dut.Function]():       words(dut.Functions()...),
	reflect.TypeFor[dut.Family]():         words(dut.Families()...),
	reflect.TypeFor[bench.StrapKind]():    words(bench.StrapReturn, bench.StrapChannel, bench.StrapResistor),
	reflect.TypeFor[bench.Distribution](): words(bench.Distributions()...),
	reflect.TypeFor[bench.State]():        words(bench.Safe, bench.Energised, bench.Unknown),
	reflect.TypeFor[procedure.Use]():      words(procedure.UseVoltage, procedure.UseCurrent, procedure.UseReturn, procedure.UseOpen),
	reflect.TypeFor[procedure.Spacing]():  words(procedure.Linear, procedure.Log, procedure.List),
	reflect.TypeFor[procedure.Method](): words(procedure.TwoWire, procedure.FourWire, procedure.CurrentReversal,
		procedure.AllOthers, procedure.Neighbours, procedure.EveryPair),
	reflect.TypeFor[procedure.Status](): words(procedure.Running, procedure.Done, procedure.Stopped, procedure.Interrupted, procedure.Failed,
		procedure.Damaged),
	reflect.TypeFor[procedure.FieldType](): words(procedure.FieldPins, procedure.FieldPin, procedure.FieldQuantity, procedure.FieldCount,
		procedure.FieldChoice, procedure.FieldSweep, procedure.FieldStep, procedure.FieldHold, procedure.FieldSettle,
		procedure.FieldAperture, procedure.FieldLimits, procedure.FieldFlag),
	reflect.TypeFor[derive.Outcome](): words(derive.NoLimits, derive.Untrusted, derive.Pass, derive.ConditionalPass, derive.ConditionalFail,
		derive.Fail, derive.Invalid, derive.Damaged),
	reflect.TypeFor[cardinfo.Condition](): words(cardinfo.Connecting, cardinfo.Ready, cardinfo.Lost, cardinfo.Refused),
	reflect.TypeFor[cardinfo.Direction](): words(cardinfo.Out, cardinfo.In, cardinfo.Note),
	reflect.TypeFor[cardinfo.Verdict]():   words(cardinfo.Pass, cardinfo.Fail, cardinfo.Skipped),
}

func words[S ~string](list ...S) []string {
	out := make([]string, len(list))
	for i, w := range list {
		out[i] = string(w)
	}
	return out
}

// Nullable is a number that is null in JSON where there is none.
type Nullable float64

// MarshalJSON writes null for what is not a number or infinite.
func (n Nullable) MarshalJSON() ([]byte, error) {
	f := float64(n)
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return []byte("null"), nil
	}
	return json.Marshal(f)
}

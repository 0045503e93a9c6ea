package routes

import (
	"reflect"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/talk"
	"ohmkeep/store"
)

// enums are the string types that hold one of a few words.
var enums = map[reflect.Type][]string{
	reflect.TypeFor[dut.Function]():      words(dut.Functions()...),
	reflect.TypeFor[dut.Family]():        words(dut.Families()...),
	reflect.TypeFor[bench.StrapKind]():   words(bench.StrapReturn, bench.StrapChannel, bench.StrapResistor),
	reflect.TypeFor[bench.State]():       words(bench.Safe, bench.Energised, bench.Unknown),
	reflect.TypeFor[procedure.Use]():     words(procedure.UseVoltage, procedure.UseCurrent, procedure.UseReturn, procedure.UseOpen),
	reflect.TypeFor[procedure.Spacing](): words(procedure.Linear, procedure.Log, procedure.List),
	reflect.TypeFor[procedure.Method](): words(procedure.TwoWire, procedure.FourWire, procedure.CurrentReversal,
		procedure.AllOthers, procedure.Neighbours, procedure.EveryPair),
	reflect.TypeFor[procedure.Status](): words(procedure.Running, procedure.Done, procedure.Stopped, procedure.Interrupted, procedure.Failed),
	reflect.TypeFor[procedure.FieldType](): words(procedure.FieldPins, procedure.FieldPin, procedure.FieldQuantity, procedure.FieldCount,
		procedure.FieldChoice, procedure.FieldSweep, procedure.FieldStep, procedure.FieldHold, procedure.FieldSettle,
		procedure.FieldAperture, procedure.FieldLimits, procedure.FieldFlag),
	reflect.TypeFor[derive.Outcome](): words(derive.NoLimits, derive.Pass, derive.ConditionalPass, derive.ConditionalFail,
		derive.Fail, derive.Invalid),
	reflect.TypeFor[talk.Condition](): words(talk.Connecting, talk.Ready, talk.Lost, talk.Refused),
	reflect.TypeFor[talk.Direction](): words(talk.Out, talk.In, talk.Note),
	reflect.TypeFor[talk.Verdict]():   words(talk.Pass, talk.Fail, talk.Skipped),
	reflect.TypeFor[store.Role]():     {store.Viewer.String(), store.Operator.String(), store.Owner.String()},
}

func words[S ~string](list ...S) []string {
	out := make([]string, len(list))
	for i, w := range list {
		out[i] = string(w)
	}
	return out
}

package procedure

import (
	"encoding/json"
	"reflect"
	"strings"
	"sync"

	"ohmkeep/server/dut"
)

// SchemaID is where the schema is served, and its $id.
const SchemaID = "/api/v1/schemas/procedure.json"

// Schema is the JSON Schema (draft 2020-12) of the document that Canonical
// writes and ParseProcedure reads, made from the types themselves. It says what
// is well formed; whether a procedure makes sense for a device is for Validate.
// The bytes are always the same and must not be changed.
var Schema = sync.OnceValue(func() []byte {
	defs := map[string]any{}
	root := objectSchema(reflect.TypeFor[Procedure](), defs)
	props := root["properties"].(map[string]any)
	props["format"] = map[string]any{"type": "integer", "minimum": 1, "maximum": Format, "default": 1,
		"description": "number of the document format; a newer one is refused"}
	root["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	root["$id"] = SchemaID
	root["title"] = "Procedure"
	root["description"] = "The ordered list of measurements for a device. Values are in SI base units: volts, amperes, ohms, seconds; temperatures in degrees Celsius."
	root["$defs"] = defs
	b, err := json.MarshalIndent(root, "", "  ")
	if err != nil {
		panic("schema of a procedure: " + err.Error())
	}
	return append(b, '\n')
})

// objectSchema is the schema of a struct; the structs in it go into defs.
func objectSchema(t reflect.Type, defs map[string]any) map[string]any {
	props := map[string]any{}
	for i := range t.NumField() {
		f := t.Field(i)
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		s := typeSchema(f.Type, defs)
		at := t.Name() + "." + name
		if words := fieldWords[at]; words != "" {
			s["description"] = words
		}
		for k, v := range fieldRules[at] {
			s[k] = v
		}
		props[name] = s
	}
	out := map[string]any{"type": "object", "properties": props, "additionalProperties": false}
	if r := required[t.Name()]; len(r) > 0 {
		out["required"] = r
	}
	return out
}

func typeSchema(t reflect.Type, defs map[string]any) map[string]any {
	switch t.Kind() {
	case reflect.Pointer:
		return typeSchema(t.Elem(), defs)
	case reflect.Struct:
		if _, known := defs[t.Name()]; !known {
			defs[t.Name()] = nil // in case it refers to itself
			defs[t.Name()] = objectSchema(t, defs)
		}
		return map[string]any{"$ref": "#/$defs/" + t.Name()}
	case reflect.Slice:
		return map[string]any{"type": "array", "items": typeSchema(t.Elem(), defs)}
	case reflect.Map:
		return map[string]any{"type": "object", "additionalProperties": typeSchema(t.Elem(), defs)}
	case reflect.String:
		return map[string]any{"type": "string"}
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	case reflect.Int:
		return map[string]any{"type": "integer"}
	}
	return map[string]any{"type": "number"}
}

// required are the fields without which a document says too little.
var required = map[string][]string{
	"Procedure": {"key", "name", "device", "measurements"}, "Measurement": {"id", "name", "kind", "pins"},
	"Hold": {"pin", "use"}, "Step": {"pin", "use", "compliance", "sweep"}, "Sweep": {"spacing"}, "SupplyLevel": {"pin", "level"},
}

type rules = map[string]any

func pinRules() rules { return rules{"minimum": 1, "maximum": dut.MaxPins} }

func kindKeys() []string {
	keys := make([]string, len(kinds))
	for i, k := range kinds {
		keys[i] = k.Key()
	}
	return keys
}

// fieldRules are what a type alone does not say. They are no stricter than
// Validate is for the best of devices.
var fieldRules = map[string]rules{
	"Procedure.key":          {"pattern": dut.KeyPattern.String()},
	"Procedure.device":       {"pattern": dut.KeyPattern.String()},
	"Procedure.name":         {"minLength": 1, "maxLength": maxName},
	"Procedure.notes":        {"maxLength": maxNote},
	"Procedure.guard":        {"minimum": 0, "maximum": maxGuard},
	"Procedure.measurements": {"maxItems": MaxMeasurements},
	"Procedure.conditions":   {"maxItems": maxConditions},
	"Measurement.id":         {"minLength": 1, "maxLength": maxID},
	"Measurement.name":       {"minLength": 1, "maxLength": maxName},
	"Measurement.note":       {"maxLength": maxNote},
	"Measurement.group":      {"maxLength": maxName},
	"Measurement.kind":       {"enum": kindKeys()},
	"Measurement.retest":     {"minimum": 0, "maximum": maxRetest},
	"Measurement.repeats":    {"minimum": 0, "maximum": maxRepeats},
	"Measurement.use":        {"enum": []Use{UseVoltage, UseCurrent}},
	"Measurement.rest":       {"enum": []Use{UseReturn, UseOpen}},
	"Measurement.method":     {"enum": []Method{TwoWire, FourWire, CurrentReversal, AllOthers, Neighbours, EveryPair}},
	"Hold.use":               {"enum": []Use{UseVoltage, UseCurrent, UseReturn, UseOpen}},
	"Hold.pin":               pinRules(),
	"Step.pin":               pinRules(),
	"Step.use":               {"enum": []Use{UseVoltage, UseCurrent}},
	"Sweep.spacing":          {"enum": []Spacing{Linear, Log, List}},
	"SupplyLevel.pin":        pinRules(),
	"Condition.temperature":  {"minimum": coldest, "maximum": hottest},
}

// fieldWords describe the fields, with units.
var fieldWords = map[string]string{
	"Procedure.key": "stable key, in addresses", "Procedure.name": "name on screen",
	"Procedure.device": "key of the device", "Procedure.notes": "free text",
	"Procedure.stopOnFail":   "the run ends after the first measurement that fails",
	"Procedure.guard":        "guard band as a multiple of U; 0: none, 1: w = U",
	"Procedure.measurements": "carried out in this order",
	"Procedure.conditions":   "what the measurements are repeated over",
	"Measurement.id":         "stable within its procedure", "Measurement.name": "name on screen",
	"Measurement.kind": "kind of measurement", "Measurement.disabled": "left out of runs",
	"Measurement.group": "heading", "Measurement.note": "free text, such as where the limits come from",
	"Measurement.retest":     "how often it is repeated while it fails; the last counts",
	"Measurement.stopOnFail": "the run ends here if it fails",
	"Measurement.at":         "condition it is carried out under, in what was carried out",
	"Measurement.pins":       "pin numbers, each measured in turn",
	"Measurement.against":    "second terminal, a pin number; 0: the return",
	"Measurement.observe":    "pin whose voltage answers",
	"Measurement.use":        "what the measured pin is forced with",
	"Measurement.level":      "V or A; a current is positive into the pin",
	"Measurement.compliance": "limit of the quantity that is not forced, A or V",
	"Measurement.sweep":      "levels to run through", "Measurement.step": "a second pin, a curve for each of its levels",
	"Measurement.hold":     "conditions on other pins",
	"Measurement.powered":  "brings the supplies up first",
	"Measurement.rest":     "what becomes of inputs that nothing names",
	"Measurement.method":   "how a resistance is measured, or shorts are looked for",
	"Measurement.settle":   "wait between applying and reading",
	"Measurement.aperture": "how long a reading integrates",
	"Measurement.repeats":  "readings a point; 0 is one",
	"Measurement.duration": "s, of a watch", "Measurement.interval": "s from reading to reading, of a watch; 0: back to back",
	"Measurement.limits": "limits by key of the result",
	"Hold.pin":           "pin number", "Hold.use": "what the pin is connected to", "Hold.level": "V or A",
	"Hold.compliance": "A or V", "Hold.kelvin": "needs force and sense wires",
	"Step.pin": "pin number", "Step.use": "voltage or current", "Step.compliance": "A or V", "Step.sweep": "its levels",
	"Sweep.spacing": "how the points are spread", "Sweep.from": "first level, V or A", "Sweep.to": "last level, V or A",
	"Sweep.points": "number of points one way", "Sweep.list": "levels, V or A", "Sweep.back": "runs back again",
	"Settle.time": "s", "Settle.untilStable": "waits on until two readings agree", "Settle.tolerance": "as a fraction",
	"Settle.within": "s at most", "Aperture.cycles": "power-line cycles", "Aperture.seconds": "s, where cycles is 0",
	"Limit.low": "lowest value that passes; left out: open", "Limit.high": "highest value that passes; left out: open",
	"Condition.supplies": "levels of supply pins", "Condition.temperature": "°C, as the operator says",
	"Condition.group": "heading of the measurements it is limited to; left out: all", "Condition.note": "free text",
	"SupplyLevel.pin": "supply pin number", "SupplyLevel.level": "V",
}

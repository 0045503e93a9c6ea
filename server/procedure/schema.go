package procedure

import (
	"encoding/json"
	"maps"
	"reflect"
	"slices"
	"strings"

	"ohmkeep/server/dut"
)

// SchemaID is where the schema is served, and its $id.
const SchemaID = "/api/v1/schemas/procedure.json"

// schemaWords is what the makers of schemas look up.
type schemaWords struct {
	words map[string]string
	rules map[string]map[string]any
}

// Schema is the JSON Schema (draft 2020-12) of the document that Canonical
// writes and ParseProcedure reads, made from the types themselves and the fields
// of the kinds. It says what is well formed; whether a procedure makes sense for
// a device is for Validate. The bytes are always the same.
func Schema() []byte {
	w := &schemaWords{FieldWords(), FieldRules()}
	defs := map[string]any{}
	root := w.objectSchema(reflect.TypeFor[Procedure](), defs)
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
}

// objectSchema is the schema of a struct; the structs in it go into defs. A
// measurement also has the fields that only one kind has.
func (w *schemaWords) objectSchema(t reflect.Type, defs map[string]any) map[string]any {
	props := map[string]any{}
	for f := range t.Fields() {
		if name, _, _ := strings.Cut(f.Tag.Get("json"), ","); name != "-" {
			props[name] = w.typeSchema(f.Type, defs)
		}
	}
	if t == reflect.TypeFor[Measurement]() {
		for _, f := range OwnFields() {
			props[f.Name] = map[string]any{}
		}
	}
	for name, p := range props {
		s := p.(map[string]any)
		if words := w.words[t.Name()+"."+name]; words != "" {
			s["description"] = words
		}
		maps.Copy(s, w.rules[t.Name()+"."+name])
	}
	out := map[string]any{"type": "object", "properties": props, "additionalProperties": false}
	if r := Required[t.Name()]; len(r) > 0 {
		out["required"] = r
	}
	return out
}

func (w *schemaWords) typeSchema(t reflect.Type, defs map[string]any) map[string]any {
	switch t.Kind() {
	case reflect.Pointer:
		return w.typeSchema(t.Elem(), defs)
	case reflect.Struct:
		if _, known := defs[t.Name()]; !known {
			defs[t.Name()] = nil // in case it refers to itself
			defs[t.Name()] = w.objectSchema(t, defs)
		}
		return map[string]any{"$ref": "#/$defs/" + t.Name()}
	case reflect.Slice:
		return map[string]any{"type": "array", "items": w.typeSchema(t.Elem(), defs)}
	case reflect.Map:
		return map[string]any{"type": "object", "additionalProperties": w.typeSchema(t.Elem(), defs)}
	case reflect.String:
		return map[string]any{"type": "string"}
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	case reflect.Int:
		return map[string]any{"type": "integer"}
	}
	return map[string]any{"type": "number"}
}

// Required are the fields without which a document says too little, by type.
var Required = map[string][]string{
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

// FieldRules are what a type alone does not say of its fields, by "Type.field".
// They are no stricter than Validate is for the best of devices.
func FieldRules() map[string]map[string]any {
	out := maps.Clone(staticRules)
	out["Measurement.kind"] = rules{"enum": kindKeys()}
	for _, f := range slices.Concat(sharedFields, OwnFields()) {
		if len(f.Rules) > 0 {
			out["Measurement."+f.Name] = f.Rules
		}
	}
	return out
}

// FieldWords describe the fields, with units, by "Type.field".
func FieldWords() map[string]string {
	out := maps.Clone(staticWords)
	for _, f := range slices.Concat(sharedFields, OwnFields()) {
		out["Measurement."+f.Name] = f.Doc
	}
	return out
}

// staticRules are what a type alone does not say, but for the fields of kinds.
var staticRules = map[string]rules{
	"Procedure.key":          {"pattern": dut.KeyPattern.String()},
	"Procedure.device":       {"pattern": dut.KeyPattern.String()},
	"Procedure.name":         {"minLength": 1, "maxLength": maxName},
	"Procedure.notes":        {"maxLength": maxNote},
	"Procedure.guard":        {"minimum": 0, "maximum": maxGuard},
	"Procedure.measurements": {"maxItems": MaxMeasurements},
	"Procedure.conditions":   {"maxItems": MaxConditions},
	"Measurement.id":         {"minLength": 1, "maxLength": maxID},
	"Measurement.name":       {"minLength": 1, "maxLength": maxName},
	"Measurement.note":       {"maxLength": maxNote},
	"Measurement.group":      {"maxLength": maxName},
	"Measurement.retest":     {"minimum": 0, "maximum": maxRetest},
	"Hold.use":               {"enum": []Use{UseVoltage, UseCurrent, UseReturn, UseOpen}},
	"Hold.pin":               pinRules(),
	"Step.pin":               pinRules(),
	"Step.use":               {"enum": []Use{UseVoltage, UseCurrent}},
	"Sweep.spacing":          {"enum": []Spacing{Linear, Log, List}},
	"SupplyLevel.pin":        pinRules(),
	"Condition.temperature":  {"minimum": coldest, "maximum": hottest},
}

// staticWords describe the fields, with units, but for those of kinds.
var staticWords = map[string]string{
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
	"Hold.pin":               "pin number", "Hold.use": "what the pin is connected to", "Hold.level": "V or A",
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

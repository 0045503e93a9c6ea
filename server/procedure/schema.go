package procedure

import (
	"maps"
	"slices"

	"ohmkeep/server/dut"
)

// SchemaID is where the schema is served, and its $id.
const SchemaID = "/api/v1/schemas/procedure.json"

// Required are the fields without which a document says too little, by type.
var Required = map[string][]string{
	"Procedure": {"key", "name", "device", "measurements"}, "Measurement": {"id", "name", "kind", "pins"},
	"Hold": {"pin", "use"}, "Step": {"pin", "use", "compliance", "sweep"}, "Sweep": {"spacing"}, "SupplyLevel": {"pin", "level"},
}

// MayBeLeftOut are the members of a measurement that need not be sent, though they
// are always there in what is stored: see TakeTimes.
var MayBeLeftOut = []string{"settle", "aperture"}

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
	"Procedure.risk":         {"minimum": 0, "exclusiveMaximum": mostRisk},
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
	"Procedure.risk":         "in place of a guard band: the most probability that what passes is beyond its limits, 0 to 0.5; 0: another rule",
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

package apidoc

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// conforms holds a JSON value against the part of JSON Schema that the
// procedure's schema uses (draft 2020-12, core and validation vocabularies). It
// fails the test at a keyword that it does not know.
func conforms(t *testing.T, root, s map[string]any, v any, at string) (faults []string) {
	fault := func(format string, args ...any) { faults = append(faults, at+": "+fmt.Sprintf(format, args...)) }
	num := func(k string) float64 { return s[k].(float64) }
	for k, w := range s {
		switch k {
		case "$schema", "$id", "$defs", "title", "description", "default", "additionalProperties":
		case "$ref":
			def := root["$defs"].(map[string]any)[strings.TrimPrefix(w.(string), "#/$defs/")].(map[string]any)
			faults = append(faults, conforms(t, root, def, v, at)...)
		case "type":
			if got := jsonType(v); got != w && !(got == "integer" && w == "number") {
				fault("is %s, not %s", got, w)
			}
		case "properties":
			o, _ := v.(map[string]any)
			for name, x := range o {
				p, known := w.(map[string]any)[name].(map[string]any)
				if !known {
					fault("has no property %q", name)
					continue
				}
				faults = append(faults, conforms(t, root, p, x, at+"."+name)...)
			}
		case "required":
			o, _ := v.(map[string]any)
			for _, name := range w.([]any) {
				if _, ok := o[name.(string)]; !ok {
					fault("lacks %v", name)
				}
			}
		case "items":
			list, _ := v.([]any)
			for i, x := range list {
				faults = append(faults, conforms(t, root, w.(map[string]any), x, fmt.Sprintf("%s[%d]", at, i))...)
			}
		case "enum":
			if !slices.Contains(w.([]any), v) {
				fault("%v is not one of %v", v, w)
			}
		case "pattern":
			if x, ok := v.(string); ok && !regexp.MustCompile(w.(string)).MatchString(x) {
				fault("%q does not match", x)
			}
		case "minimum", "maximum":
			if x, ok := v.(float64); ok && (k == "minimum" && x < num(k) || k == "maximum" && x > num(k)) {
				fault("%g is beyond the %s", x, k)
			}
		case "minLength", "maxLength":
			if x, ok := v.(string); ok {
				if n := float64(utf8.RuneCountInString(x)); k == "minLength" && n < num(k) || k == "maxLength" && n > num(k) {
					fault("%q is beyond the %s", x, k)
				}
			}
		case "maxItems":
			if x, ok := v.([]any); ok && float64(len(x)) > num(k) {
				fault("%d items", len(x))
			}
		default:
			t.Fatalf("the schema uses %q, which this test does not know", k)
		}
	}
	if more, ok := s["additionalProperties"].(map[string]any); ok && s["properties"] == nil {
		for name, x := range v.(map[string]any) {
			faults = append(faults, conforms(t, root, more, x, at+"."+name)...)
		}
	}
	return faults
}

func jsonType(v any) string {
	switch x := v.(type) {
	case map[string]any:
		return "object"
	case []any:
		return "array"
	case string:
		return "string"
	case bool:
		return "boolean"
	case float64:
		if x == math.Trunc(x) {
			return "integer"
		}
		return "number"
	}
	return "null"
}

func schemaOf(t *testing.T) map[string]any {
	t.Helper()
	var s map[string]any
	if err := json.Unmarshal(types.Procedure(), &s); err != nil {
		t.Fatal(err)
	}
	return s
}

// everyKind is a procedure with a measurement of each kind.
func everyKind(d *dut.Device) procedure.Procedure {
	p := procedure.Procedure{Key: "every", Name: "Every kind", Device: d.Key, Guard: 1}
	for _, k := range procedure.Kinds() {
		m := k.Default(d)
		m.ID, m.Name = k.Key(), k.Title()
		p.Measurements = append(p.Measurements, m)
	}
	return p
}

func TestProcedureSchemaHoldsDocuments(t *testing.T) {
	s, hot := schemaOf(t), 85.0
	seen := 0
	for _, d := range demo.Scenario().Devices {
		all := everyKind(&d)
		all.Conditions = []procedure.Condition{{Supplies: []procedure.SupplyLevel{{Pin: 6, Level: 4.5}}, Temperature: &hot, Note: "warm"}}
		draft, _ := procedure.Draft(&d, nil, nil)
		for name, p := range map[string]procedure.Procedure{"every kind": all, "expanded": procedure.Expand(all, &d), "draft": draft} {
			b, err := p.Canonical()
			if err != nil {
				t.Fatal(err)
			}
			var v any
			if err := json.Unmarshal(b, &v); err != nil {
				t.Fatal(err)
			}
			if faults := conforms(t, s, s, v, ""); len(faults) > 0 {
				t.Errorf("%s, %s: %v", d.Key, name, faults)
			}
			seen += len(p.Measurements)
		}
	}
	if seen < 50 {
		t.Errorf("only %d measurements seen", seen)
	}
}

func TestProcedureSchemaRefuses(t *testing.T) {
	s := schemaOf(t)
	good := `"key":"k","name":"n","device":"d"`
	m := `"id":"a","name":"a","kind":"contact","pins":[1]`
	for _, text := range []string{
		`[]`, `{"key":"k"}`, `{` + good + `,"measurements":{}}`, `{` + good + `,"measurements":[],"colour":1}`,
		`{"format":2,` + good + `,"measurements":[]}`, `{"key":"K","name":"n","device":"d","measurements":[]}`,
		`{` + good + `,"measurements":[{` + m + `,"kind":"other"}]}`, `{` + good + `,"measurements":[{` + m + `,"pins":[1.5]}]}`,
		`{` + good + `,"measurements":[{` + m + `,"retest":21}]}`, `{` + good + `,"measurements":[{` + m + `,"limits":{"upper":{"mid":1}}}]}`,
		`{` + good + `,"measurements":[{` + m + `,"sweep":{"spacing":"odd"}}]}`,
	} {
		var v any
		if err := json.Unmarshal([]byte(text), &v); err != nil {
			t.Fatal(err)
		}
		if len(conforms(t, s, s, v, "")) == 0 {
			t.Errorf("holds %s", text)
		}
	}
}

// TestProcedureSchemaIsDescribed: every field has words of its own and every rule a field.
func TestProcedureSchemaIsDescribed(t *testing.T) {
	s := schemaOf(t)
	fields := map[string]bool{}
	gather := func(name string, o map[string]any) {
		for f, p := range o["properties"].(map[string]any) {
			fields[name+"."+f] = true
			if p.(map[string]any)["description"] == nil {
				t.Errorf("%s.%s is not described", name, f)
			}
		}
	}
	gather("Procedure", s)
	for name, o := range s["$defs"].(map[string]any) {
		gather(name, o.(map[string]any))
	}
	for at := range procedure.FieldWords() {
		if !fields[at] {
			t.Errorf("%s is described but is no field", at)
		}
	}
	for at := range procedure.FieldRules() {
		if !fields[at] {
			t.Errorf("%s has rules but is no field", at)
		}
	}
}

// TestProcedureSchemaIsAsReleased: the schema is the one that clients were
// given, byte for byte.
func TestProcedureSchemaIsAsReleased(t *testing.T) {
	want, err := os.ReadFile("../routes/testdata/procedure.json")
	if err != nil {
		t.Fatal(err)
	}
	if got := types.Procedure(); string(got) != string(want) {
		t.Error(cmp.Diff(strings.Split(string(want), "\n"), strings.Split(string(got), "\n")))
	}
}

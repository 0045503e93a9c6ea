package apidoc

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/big"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"pgregory.net/rapid"

	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
)

// small is a type with each keyword that a schema of the API can have.
type small struct {
	Name   string             `json:"name" max:"4"`
	Use    procedure.Use      `json:"use,omitempty"`
	Count  int                `json:"count"`
	Byte   uint8              `json:"byte,omitempty"`
	Seed   uint64             `json:"seed,omitempty"`
	Level  *float64           `json:"level"`
	On     bool               `json:"on,omitempty"`
	At     time.Time          `json:"at,omitzero"`
	List   []int              `json:"list,omitempty"`
	ByPin  map[int]string     `json:"byPin,omitempty"`
	ByName map[string]float64 `json:"byName,omitempty"`
	Below  *small             `json:"below,omitempty"`
	Raw    json.RawMessage    `json:"raw,omitempty"`
}

// tree is a JSON value as text is parsed for a schema: numbers stay text.
func tree(t failer, text []byte) any {
	t.Helper()
	var v any
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.UseNumber()
	if err := dec.Decode(&v); err != nil {
		t.Fatal(err)
	}
	return v
}

// wholes are the bounds of whole numbers by their format.
var wholes = map[any][2]string{"int64": {"-9223372036854775808", "9223372036854775807"}, "uint64": {"0", "18446744073709551615"}}

// holds reads the keywords of a written schema (JSON Schema 2020-12), apart
// from the program's own check: it tells whether v is what the schema says.
func holds(t failer, defs, s map[string]any, v any) bool {
	obj, isObject := v.(map[string]any)
	list, isList := v.([]any)
	text, isText := v.(string)
	number, isNumber := v.(json.Number)
	_, isBool := v.(bool)
	value := new(big.Rat)
	if isNumber {
		if _, ok := value.SetString(number.String()); !ok {
			t.Fatalf("number %q", number)
		}
	}
	bound := func(k string) *big.Rat {
		r, _ := new(big.Rat).SetString(string(s[k].(json.Number)))
		return r
	}
	is := map[string]bool{"object": isObject, "array": isList, "string": isText, "number": isNumber, "integer": isNumber && value.IsInt(), "boolean": isBool, "null": v == nil}
	for k, w := range s {
		ok := true
		switch k {
		case "description":
		case "$ref":
			ok = holds(t, defs, defs[strings.TrimPrefix(w.(string), componentPrefix)].(map[string]any), v)
		case "oneOf":
			n := 0
			for _, x := range w.([]any) {
				if holds(t, defs, x.(map[string]any), v) {
					n++
				}
			}
			ok = n == 1
		case "type":
			one, single := w.(string)
			ok = single && is[one]
			if !single {
				ok = slices.ContainsFunc(w.([]any), func(name any) bool { return is[name.(string)] })
			}
		case "format":
			if b, whole := wholes[w]; whole && isNumber {
				low, _ := new(big.Rat).SetString(b[0])
				high, _ := new(big.Rat).SetString(b[1])
				ok = value.Cmp(low) >= 0 && value.Cmp(high) <= 0
			}
			if w == "date-time" && isText {
				ok = regexp.MustCompile(`^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$`).MatchString(text)
			}
		case "minimum":
			ok = !isNumber || value.Cmp(bound(k)) >= 0
		case "maximum":
			ok = !isNumber || value.Cmp(bound(k)) <= 0
		case "maxLength":
			n, _ := w.(json.Number).Int64()
			ok = !isText || utf8.RuneCountInString(text) <= int(n)
		case "enum":
			ok = !isText || slices.Contains(w.([]any), v)
		case "required":
			for _, name := range w.([]any) {
				if _, given := obj[name.(string)]; isObject && !given {
					ok = false
				}
			}
		case "properties":
			for name, p := range w.(map[string]any) {
				if x, given := obj[name]; given {
					ok = ok && holds(t, defs, p.(map[string]any), x)
				}
			}
		case "additionalProperties":
			named, _ := s["properties"].(map[string]any)
			of, open := w.(map[string]any)
			for name, x := range obj {
				if named[name] == nil {
					ok = ok && open && holds(t, defs, of, x)
				}
			}
		case "propertyNames":
			pattern := regexp.MustCompile(w.(map[string]any)["pattern"].(string))
			for name := range obj {
				ok = ok && pattern.MatchString(name)
			}
		case "items":
			for _, x := range list {
				ok = ok && holds(t, defs, w.(map[string]any), x)
			}
		default:
			t.Fatalf("the schema uses %q, which this test does not know", k)
		}
		if !ok {
			return false
		}
	}
	return true
}

// oddValues are values that fit few fields.
var oddValues = []string{`null`, `true`, `"x"`, `"abcde"`, `"ünïcö"`, `"return"`, `"2030-01-31T15:04:05Z"`, `"2030-01-31T5:04:05Z"`, `"2030-01-31T15:04:05,5Z"`,
	`"2030-01-31"`, `0`, `-1`, `1.5`, `255`, `256`, `9223372036854775807`, `9223372036854775808`, `18446744073709551615`, `18446744073709551616`,
	`-9223372036854775809`, `[]`, `[1]`, `[null]`, `[1.5]`, `{}`, `{"1":"a"}`, `{"01":"a"}`, `{"a":1}`, `{"a":null}`, `{"name":"a","count":1,"level":null}`}

// drawSmall draws the text of a value for small. Half of them may have fields that
// are missing, unknown or odd: the dice fall on these often, and with all of them
// open to it too few values would be sound.
func drawSmall(t *rapid.T, depth int) string {
	return drawFields(t, depth, rapid.Bool().Draw(t, "faulty"))
}

func drawFields(t *rapid.T, depth int, faulty bool) string {
	right := map[string]string{"name": `"ab"`, "use": `"return"`, "count": `-7`, "byte": `255`, "seed": `18446744073709551615`, "level": `1.5`, "on": `false`,
		"at": `"2030-01-31T15:04:05.25+01:00"`, "list": `[1,2]`, "byPin": `{"-3":"a"}`, "byName": `{"r":1e-9}`, "raw": `[{}]`, "below": `null`, "other": `1`}
	var fields []string
	for _, name := range []string{"name", "count", "level", "use", "byte", "seed", "on", "at", "list", "byPin", "byName", "raw", "below", "other"} {
		must := name == "name" || name == "count" || name == "level"
		dice := rapid.IntRange(0, 29).Draw(t, name)
		if !faulty {
			dice = max(dice, 2)
		}
		switch {
		case dice == 0 && must, dice > 10 && !must, name == "other" && dice > 0:
			continue
		case dice == 1:
			right[name] = rapid.SampledFrom(oddValues).Draw(t, "odd")
		case name == "below" && depth < 2 && dice > 2:
			right[name] = drawFields(t, depth+1, faulty)
		}
		fields = append(fields, fmt.Sprintf("%q:%s", name, right[name]))
	}
	return "{" + strings.Join(fields, ",") + "}"
}

// TestDecoderAgreesWithSchema: what the written schema of a type refuses the
// decoder refuses as invalid, and what it holds the decoder reads.
func TestDecoderAgreesWithSchema(t *testing.T) {
	m := types.NewMaker()
	m.Of(reflect.TypeFor[small]())
	written, err := json.Marshal(m.Components)
	if err != nil {
		t.Fatal(err)
	}
	defs := tree(t, written).(map[string]any)
	root := defs["Small"].(map[string]any)
	var held, refusedOnes int
	rapid.Check(t, func(t *rapid.T) {
		body := drawSmall(t, 0)
		ok := holds(t, defs, root, tree(t, []byte(body)))
		_, err := Decode[small](types, []byte(body))
		if ok != (err == nil) {
			t.Fatalf("%s: the schema holds it: %v; the decoder: %v", body, ok, err)
		}
		if ok {
			held++
			return
		}
		refusedOnes++
		p := refused(t, err)
		if p.Code != problem.Invalid || len(p.Fields) == 0 {
			t.Fatalf("%s: code %s, fields %v", body, p.Code, p.Fields)
		}
	})
	// With -short there are too few draws to count on.
	if !testing.Short() && (held < 5 || refusedOnes < 5) {
		t.Errorf("%d held, %d refused: the draw shows nothing", held, refusedOnes)
	}
	// Each odd value in each field, so that nothing hangs on the draw.
	for name := range root["properties"].(map[string]any) {
		for _, odd := range oddValues {
			fields := map[string]json.RawMessage{"name": []byte(`"a"`), "count": []byte("1"), "level": []byte("null"), name: []byte(odd)}
			body, _ := json.Marshal(fields)
			ok := holds(t, defs, root, tree(t, body))
			_, err := Decode[small](types, body)
			if ok != (err == nil) {
				t.Errorf("%s: the schema holds it: %v; the decoder: %v", body, ok, err)
				continue
			}
			if ok {
				continue
			}
			for _, f := range refused(t, err).Fields {
				if f.Field != name && !strings.HasPrefix(f.Field, name+".") && !strings.HasPrefix(f.Field, name+"[") {
					t.Errorf("%s: the fault is said of %q", body, f.Field)
				}
			}
		}
	}
}

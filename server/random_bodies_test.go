package main

import (
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"net/url"
	"slices"
	"strings"
)

// drawer draws requests from the document of the API. A body that it draws
// passes the schema as a rule, and is made of values that the server has
// answered with, so that it comes far.
type drawer struct {
	*rand.Rand
	components map[string]any   // schemas by the name of the component
	known      map[string][]any // values that were answered: by "#component", by the name of a field, by "/collection"
}

const componentPrefix = "#/components/schemas/"

// oddTexts and oddNumbers are valid where a text or a number is, and seldom meant.
var (
	oddTexts = []string{"", " ", "0", "-", "..", "../../etc", "%00", "%zz", "a/b", "\u202egnp", "\u200b", "é", "😀", "\x00", "'; DROP TABLE runs; --", "<script>",
		"NaN", "=1+1", "null", "\n", "\ufffd", "Ω", strings.Repeat("x", 64), strings.Repeat("y", 5000), strings.Repeat("ä", 70000)}
	oddNumbers = []string{"0", "-0", "1", "-1", "2", "3", "0.5", "1e-300", "-1e-300", "1e300", "-1e300", "5e-324", "1.7976931348623157e308", "1e-9", "1e9", "48", "49", "1000", "100000"}
	oddWholes  = []string{"0", "1", "-1", "2", "3", "7", "14", "48", "49", "100", "1000", "65536", "2147483647", "-2147483648", "9007199254740993", "9223372036854775807", "-9223372036854775808"}
)

// one draws one of a list.
func one[T any](r *rand.Rand, list []T) T { return list[r.IntN(len(list))] }

// often is true with this probability.
func (d *drawer) often(p float64) bool { return d.Float64() < p }

// value draws a value that the schema holds; name is the field that it is for.
func (d *drawer) value(s map[string]any, name string, depth int) any {
	if ref, ok := s["$ref"].(string); ok {
		component := strings.TrimPrefix(ref, componentPrefix)
		if known := d.known["#"+component]; len(known) > 0 && d.often(0.7) {
			return d.changed(s, one(d.Rand, known), name)
		}
		return d.value(d.components[component].(map[string]any), name, depth)
	}
	if all, ok := s["oneOf"].([]any); ok {
		return d.value(one(d.Rand, all).(map[string]any), name, depth)
	}
	if words, ok := s["enum"].([]any); ok {
		return one(d.Rand, words)
	}
	kind, _ := s["type"].(string)
	if kinds, ok := s["type"].([]any); ok {
		kind = one(d.Rand, kinds).(string)
	}
	if known := d.known[name]; len(known) > 0 && kind != "object" && kind != "array" && d.often(0.6) {
		return one(d.Rand, known) // of whatever type: seldom another
	}
	switch kind {
	case "object":
		return d.object(s, depth)
	case "array":
		return d.list(s, name, depth)
	case "string":
		return d.text(s)
	case "number":
		return json.Number(one(d.Rand, oddNumbers))
	case "integer":
		if low, ok := s["minimum"].(json.Number); ok && d.often(0.7) {
			return low
		}
		return json.Number(one(d.Rand, oddWholes))
	case "boolean":
		return d.often(0.5)
	}
	return nil
}

func (d *drawer) object(s map[string]any, depth int) any {
	out := map[string]any{}
	named, _ := s["properties"].(map[string]any)
	required, _ := s["required"].([]any)
	for _, name := range slices.Sorted(maps.Keys(named)) {
		if slices.Contains(required, any(name)) || d.often(1/(1.5+float64(depth))) {
			out[name] = d.value(named[name].(map[string]any), name, depth+1)
		}
	}
	if of, ok := s["additionalProperties"].(map[string]any); ok {
		for range d.IntN(4) {
			key := fmt.Sprint(d.IntN(16))
			if s["propertyNames"] == nil && d.often(0.5) {
				key = fmt.Sprint(one(d.Rand, append(slices.Clone(d.known["key"]), any("a"), any(""))))
			}
			out[key] = d.value(of, "", depth+1)
		}
	}
	return out
}

func (d *drawer) list(s map[string]any, name string, depth int) any {
	n := one(d.Rand, []int{0, 1, 1, 2, 3, 8})
	if depth < 2 && d.often(0.05) {
		n = 300
	}
	out := make([]any, n)
	for i := range out {
		if i > 0 && d.often(0.3) {
			out[i] = out[i-1]
			continue
		}
		out[i] = d.value(s["items"].(map[string]any), name, depth+1)
	}
	return out
}

func (d *drawer) text(s map[string]any) string {
	if s["format"] == "date-time" {
		return one(d.Rand, []string{"2026-11-30T00:00:00Z", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59.999999999Z", "2026-02-28T23:59:59-23:59"})
	}
	text := one(d.Rand, oddTexts)
	if most, ok := s["maxLength"].(json.Number); ok {
		n, _ := most.Int64()
		if runes := []rune(text); len(runes) > int(n) {
			text = string(runes[:n])
		}
	}
	return text
}

// part is a place in a value, with its schema.
type part struct {
	schema map[string]any
	name   string
	set    func(any)
}

// parts lists the places in a value, the value itself first.
func (d *drawer) parts(s map[string]any, v any, name string, set func(any)) []part {
	out := []part{{s, name, set}}
	if ref, ok := s["$ref"].(string); ok {
		s = d.components[strings.TrimPrefix(ref, componentPrefix)].(map[string]any)
	}
	switch v := v.(type) {
	case map[string]any:
		named, _ := s["properties"].(map[string]any)
		of, open := s["additionalProperties"].(map[string]any)
		for _, key := range slices.Sorted(maps.Keys(v)) {
			at, ok := named[key].(map[string]any)
			if !ok && open {
				at, ok = of, true
			}
			if ok {
				out = append(out, d.parts(at, v[key], key, func(x any) { v[key] = x })...)
			}
		}
		for _, key := range slices.Sorted(maps.Keys(named)) {
			if _, given := v[key]; !given {
				out = append(out, part{named[key].(map[string]any), key, func(x any) { v[key] = x }})
			}
		}
	case []any:
		items, ok := s["items"].(map[string]any)
		for i := range v {
			if ok {
				out = append(out, d.parts(items, v[i], name, func(x any) { v[i] = x })...)
			}
		}
	}
	return out
}

// changed is a copy of a value with up to three of its parts drawn anew.
func (d *drawer) changed(s map[string]any, v any, name string) any {
	v = copied(v)
	for range d.IntN(4) {
		parts := d.parts(s, v, name, func(any) {})
		p := one(d.Rand, parts)
		p.set(d.value(p.schema, p.name, 2))
	}
	return v
}

// copied is a deep copy of a JSON value.
func copied(v any) any {
	switch v := v.(type) {
	case map[string]any:
		out := make(map[string]any, len(v))
		for k, x := range v {
			out[k] = copied(x)
		}
		return out
	case []any:
		out := make([]any, len(v))
		for i, x := range v {
			out[i] = copied(x)
		}
		return out
	}
	return v
}

// broken breaks a body in a way in which clients break them.
func (d *drawer) broken(body string) string {
	switch d.IntN(7) {
	case 0:
		return body[:d.IntN(len(body)+1)]
	case 1:
		if len(body) > 0 {
			at := d.IntN(len(body))
			return body[:at] + string(rune(d.IntN(256))) + body[at+1:]
		}
	case 2:
		return strings.Replace(body, ":", `:null,"unknown":`, 1)
	case 3:
		return strings.Repeat(`[{"a":`, 1+d.IntN(20000))
	case 4:
		return strings.ReplaceAll(body, "1", "1e999999999")
	case 5:
		return body + body
	}
	return one(d.Rand, []string{"", "null", "[]", "{}", "0", `"x"`, "\xff\xfe", "{\"key\":\"\xff\"}", `{"\u0000":1}`, "[[[[[[[["})
}

// address fills the places of a path in: as a rule with what there is.
func (d *drawer) address(path string) string {
	var out strings.Builder
	for _, piece := range strings.Split(strings.TrimPrefix(path, "/"), "/") {
		if strings.HasPrefix(piece, "{") {
			collection := strings.TrimSuffix(path[:strings.Index(path, piece)], "/")
			known := d.known[collection]
			if len(known) == 0 || d.often(0.15) {
				known = append(slices.Clone(d.known["key"]), any("1"), any("0"), any("-1"), any("99999999999999999999"), any(one(d.Rand, oddTexts)))
			}
			text := fmt.Sprint(one(d.Rand, known))
			if text == "" || len(text) > 6000 {
				text = "x"
			}
			piece = url.PathEscape(text)
		}
		out.WriteString("/" + piece)
	}
	return out.String()
}

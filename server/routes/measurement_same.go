package routes

import (
	"encoding/json"
	"reflect"
	"strings"

	"ohmkeep/server/procedure"
)

// sameField reports whether two measurements agree in a field, named as in a
// problem; "" is all that is measured and judged, names and notes aside.
func sameField(a, b *procedure.Measurement, field string) bool {
	x, y := withoutNames(a), withoutNames(b)
	if field == "" {
		return reflect.DeepEqual(x, y)
	}
	for _, name := range strings.FieldsFunc(field, func(r rune) bool { return r == '.' || r == '[' || r == ']' }) {
		mx, okX := x.(map[string]any)
		my, okY := y.(map[string]any)
		if !okX || !okY {
			break // an element of a list: the whole list must agree
		}
		x, y = mx[name], my[name]
	}
	return reflect.DeepEqual(x, y)
}

// withoutNames returns the JSON of a measurement without its names and notes.
func withoutNames(m *procedure.Measurement) any {
	text, err := json.Marshal(m)
	if err != nil {
		return err // no number: like nothing else
	}
	var v map[string]any
	if err := json.Unmarshal(text, &v); err != nil {
		return err
	}
	for _, name := range []string{"id", "name", "note", "group", "disabled", "retest", "stopOnFail"} {
		delete(v, name)
	}
	return v
}

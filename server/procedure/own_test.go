package procedure

import (
	"encoding/json"
	"maps"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// everyType is a kind with a field of its own of each type that may be one.
var everyType = soak{&facts{
	key: "every-type", title: "Every type", summary: "Has a field of each type.",
	fields: fieldsOf(fieldPins, fieldLevel.with(quantity.Volt, ""), fieldCompliance.with(quantity.Ampere, ""), soakDwell, soakPolarity,
		OwnQuantity("ramp", "Ramp", quantity.Second, "ramped over %s", "s").usual(),
		OwnCount("turns", "Turns", "%s turns", "how often").within(1, 9).usual(),
		OwnPin("guard", "Guard", "guarded by pin %s", "pin number").usual(),
		OwnFlag("warm", "Warm", "warmed up first", "warms up first")),
	outputs: soakKind.outputs,
}}

func typed(name string) Field {
	f, _ := fieldNamed(everyType.fields, name)
	return f
}

// everyTyped is a valid measurement of everyType.
func everyTyped() Measurement {
	m := soakKind.Default(inverterDevice())
	m.Kind = everyType.key
	return m
}

// Own fields stand flat in the document, sorted behind the others, and are left
// out where they are empty; documents without any are what they always were.
func TestOwnFieldsInDocuments(t *testing.T) {
	m := Measurement{ID: "a", Name: "<a>", Kind: "x", Pins: []int{1}}
	plain, err := dut.WriteJSON(plainMeasurement(m))
	if err != nil {
		t.Fatal(err)
	}
	text := func(m Measurement) string {
		t.Helper()
		b, err := dut.WriteJSON(m)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	if got := text(m); got != string(plain) {
		t.Errorf("%s\nnot\n%s", got, plain)
	}
	m.Own = map[string]any{"zeta": "\"<é>", "alpha": 0.25, "beta": true}
	if got := text(m); got != strings.TrimSuffix(string(plain), "}")+`,"alpha":0.25,"beta":true,"zeta":"\"<é>"}` {
		t.Errorf("%s", got)
	}
	escaped, err := json.Marshal(m) // as an API answers: what only HTML minds is escaped
	if err != nil || !strings.Contains(string(escaped), `\u003cé\u003e`) {
		t.Errorf("%s, %v", escaped, err)
	}
	var back Measurement
	if err := json.Unmarshal(escaped, &back); err != nil || !reflect.DeepEqual(back, m) {
		t.Errorf("%+v came back as %+v, %v", m, back, err)
	}
	for _, bad := range []map[string]any{{"alpha": math.NaN()}, {"level": 1.0}, {"LEVEL": 1.0}, {"Pins": 1.0}} {
		if b, err := dut.WriteJSON(Measurement{Own: bad}); err == nil {
			t.Errorf("%v was written as %s", bad, b)
		}
	}
}

// What is read is neither lost nor believed: what no kind has stays in the
// document and is refused by name.
func TestUnknownFieldsAreKeptAndRefused(t *testing.T) {
	table(t, everyType)
	text := `{"id":"a","name":"a","kind":"contact","pins":[1],"settle":{"time":0.002},"aperture":{"cycles":1},"colour":{"r":1},"dwell":2,"none":null,"LEVEL":0.0001}`
	var m Measurement
	if err := json.Unmarshal([]byte(text), &m); err != nil {
		t.Fatal(err)
	}
	if m.Level != 1e-4 || len(m.Own) != 2 || m.Own["dwell"] != 2.0 {
		t.Errorf("read %+v", m)
	}
	again, err := dut.WriteJSON(m)
	if err != nil || !strings.Contains(string(again), `"colour":{"r":1},"dwell":2`) {
		t.Errorf("written %s, %v", again, err)
	}
	ps := m.Validate(inverterDevice())
	for _, name := range []string{"colour", "dwell"} {
		if !slices.ContainsFunc(ps, func(p dut.Problem) bool { return p.Field == name && strings.Contains(p.Message, "not used by Contact") }) {
			t.Errorf("%s is not refused: %v", name, ps)
		}
	}
	for doc, says := range map[string]string{
		`{"measurements":[{"id":"a","colour":1}]}`:                   "colour",
		`{"measurements":[{"id":"a"},{"dwell":1,"hold":[{"p":1}]}]}`: `measurement 2: json: unknown field "p"`,
		`{"measurements":[{"id":"a","dwell":1,"Dwell":1}]}`:          "Dwell",
	} {
		if p, err := ParseProcedure([]byte(doc)); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %+v, %v", doc, p, err)
		}
	}
	if p, err := ParseProcedure([]byte(`{"measurements":[{"id":"a","dwell":1}]}`)); err != nil || p.Measurements[0].Own["dwell"] != 1.0 {
		t.Errorf("%+v, %v", p, err)
	}
}

func TestOwnFieldsAreChecked(t *testing.T) {
	table(t, everyType)
	d := inverterDevice()
	good := everyTyped()
	if ps := everyType.check(&good, d).ps; len(ps) > 0 {
		t.Fatalf("the default: %v", ps)
	}
	for _, c := range []struct {
		name  string
		value any
		says  string // "": nothing
	}{
		{"dwell", nil, "must be 1 ms to 60 s, not 0 s"},
		{"dwell", 61.0, "must be 1 ms to 60 s"},
		{"dwell", 60.0, ""},
		{"dwell", "1", "is not a quantity"},
		{"dwell", true, "is not a quantity"},
		{"polarity", nil, `"" is not one of positive, negative, both`},
		{"polarity", "up", `"up" is not one of`},
		{"polarity", 1.0, "is not a choice"},
		{"ramp", 0.5, ""},
		{"ramp", []any{}, "is not a quantity"},
		{"turns", 1.5, "is not a count"},
		{"turns", 10.0, "must be 1 to 9, not 10"},
		{"turns", -1.0, "must be 1 to 9"},
		{"turns", 9.0, ""},
		{"guard", 9.0, "pin 9 is not on the device"},
		{"guard", 3.0, "is a ground"},
		{"guard", 2.0, ""},
		{"guard", "2", "is not a pin"},
		{"warm", true, ""},
		{"warm", "yes", "is not a flag"},
		{"warm", 1.0, "is not a flag"},
		{"sweep", 1.0, "is not used by"},
	} {
		m := good.Clone()
		delete(m.Own, c.name)
		if c.value != nil {
			m.Own[c.name] = c.value
		}
		var said []string
		for _, p := range everyType.check(&m, d).ps {
			if p.Field == c.name {
				said = append(said, p.Message)
			}
		}
		if c.says == "" && len(said) > 0 || c.says != "" && !strings.Contains(strings.Join(said, "; "), c.says) {
			t.Errorf("%s = %v: %q, want %q", c.name, c.value, said, c.says)
		}
	}
}

// Any values come back, from the accessors and through the document, and a copy
// shares nothing with what it was made of.
func TestOwnFieldsComeBack(t *testing.T) {
	table(t, everyType)
	rapid.Check(t, func(t *rapid.T) {
		m := everyTyped()
		ramp, turns := rapid.Float64().Draw(t, "ramp"), rapid.IntRange(-1e6, 1e6).Draw(t, "turns")
		guard, warm := rapid.IntRange(0, 48).Draw(t, "guard"), rapid.Bool().Draw(t, "warm")
		polarity := rapid.String().Draw(t, "polarity")
		set := Set(typed("ramp"), &m, ramp) && Set(typed("turns"), &m, turns) && Set(typed("guard"), &m, guard) &&
			Set(typed("warm"), &m, warm) && Set(typed("polarity"), &m, polarity)
		copied := m.Clone()
		Set(typed("dwell"), &copied, 7.0)
		if !set || Get[float64](typed("dwell"), &m) != 0.5 {
			t.Fatalf("set %v; the copy reaches %v", set, m.Own)
		}
		text, err := Procedure{Key: "k", Measurements: []Measurement{m}}.Canonical()
		if err != nil {
			t.Fatal(err)
		}
		p, err := ParseProcedure(text)
		if err != nil {
			t.Fatal(err)
		}
		b := &p.Measurements[0]
		if Get[float64](typed("ramp"), b) != ramp || Get[int](typed("turns"), b) != turns || Get[int](typed("guard"), b) != guard ||
			Get[bool](typed("warm"), b) != warm || Get[string](typed("polarity"), b) != polarity {
			t.Fatalf("%v came back as %v", m.Own, b.Own)
		}
		if again, _ := p.Canonical(); string(again) != string(text) {
			t.Fatalf("%s\n%s", text, again)
		}
		for _, f := range everyType.fields {
			if _, has := b.Own[f.Name]; f.own && has == f.Empty(b) {
				t.Fatalf("%s: in the document %v, empty %v", f.Name, has, f.Empty(b))
			}
		}
	})
}

// A field of another type is never reached: nothing is read, nothing written.
func TestAccessorsMindTheType(t *testing.T) {
	d := inverterDevice()
	types := map[FieldType]bool{}
	for _, k := range append(Kinds(), everyType) {
		m := k.Default(d)
		for _, f := range k.Fields() {
			types[f.Type] = true
			before := m.Clone()
			if Set(f, &m, uint8(3)) || Set(f, &m, []string{"x"}) || !reflect.DeepEqual(m, before) {
				t.Errorf("%s.%s took a value of another type", k.Key(), f.Name)
			}
			if Get[uint8](f, &m) != 0 || f.Type != FieldQuantity && Get[float64](f, &m) != 0 || f.Type != FieldChoice && Get[string](f, &m) != "" {
				t.Errorf("%s.%s gave a value of another type", k.Key(), f.Name)
			}
		}
	}
	if (Field{}).Empty(&Measurement{Level: 1}) != true {
		t.Error("a field without an accessor says something")
	}
	for _, typ := range FieldTypes() {
		if !types[typ] {
			t.Errorf("no kind has a field of type %s", typ)
		}
	}
	if len(types) != len(FieldTypes()) {
		t.Errorf("FieldTypes lacks one of %v", slices.Collect(maps.Keys(types)))
	}
}

// What a kind does not use is refused for every field of the table.
func TestUnusedFieldsAreRefused(t *testing.T) {
	d := inverterDevice()
	fill := func(f Field, m *Measurement) {
		switch f.Type {
		case FieldPins:
			Set(f, m, []int{1})
		case FieldPin, FieldCount:
			Set(f, m, 2)
		case FieldQuantity:
			Set(f, m, 1e-3)
		case FieldChoice:
			Set(f, m, "odd")
		case FieldFlag:
			Set(f, m, true)
		case FieldSweep:
			Set(f, m, &Sweep{})
		case FieldStep:
			Set(f, m, &Step{})
		case FieldHold:
			Set(f, m, []Hold{{Pin: 4, Use: UseReturn}})
		}
	}
	refused := 0
	for _, k := range Kinds() {
		for _, f := range sharedFields {
			if hasField(k, f.Name) {
				continue
			}
			m := k.Default(d)
			fill(f, &m)
			if f.Empty(&m) {
				t.Fatalf("%s was not filled", f.Name)
			}
			refused++
			want := dut.Problem{Field: f.Name, Message: "is not used by " + k.Title() + ": leave it out"}
			if ps := k.Validate(&m, d); !slices.Contains(ps, want) {
				t.Errorf("%s ignores %s: %v", k.Key(), f.Name, ps)
			}
		}
	}
	if refused < 50 {
		t.Errorf("only %d tried", refused)
	}
}

// FuzzMeasurementJSON: whatever is read is written and read again as the same.
func FuzzMeasurementJSON(f *testing.F) {
	for _, s := range []string{`{"id":"a","pins":[1],"dwell":0.5}`, `{"hold":[{"pin":1,"odd":1}]}`, `{"x":{"y":[1,null,"z"]}}`, `{"LEVEL":1,"level":2}`, `[]`, `null`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var m, again Measurement
		if json.Unmarshal(data, &m) != nil {
			return
		}
		text, err := dut.WriteJSON(m)
		if err != nil {
			t.Fatalf("%q was read and not written: %v", data, err)
		}
		if err := json.Unmarshal(text, &again); err != nil || !reflect.DeepEqual(again.Own, m.Own) {
			t.Fatalf("%s: %v, own fields %v and %v", text, err, m.Own, again.Own)
		}
		if twice, _ := dut.WriteJSON(again); string(twice) != string(text) {
			t.Fatalf("%s\n%s", text, twice)
		}
	})
}

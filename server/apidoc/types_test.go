package apidoc

import (
	"encoding/json"
	"net/url"
	"reflect"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// ownWord is a string type of the caller's own.
type ownWord string

// written is the JSON of a schema.
func written(t *testing.T, x *Schema) string {
	t.Helper()
	b, err := json.Marshal(x)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestTypes: the schema of each kind of Go type, written by hand; in the API's
// style, and in that of documents that people write.
func TestTypes(t *testing.T) {
	known := NewTypes(map[reflect.Type][]string{reflect.TypeFor[ownWord](): {"a", "b"}})
	for _, c := range []struct {
		typ         reflect.Type
		want, plain string // plain "": the same
	}{
		{reflect.TypeFor[bool](), `{"type":"boolean"}`, ""},
		{reflect.TypeFor[string](), `{"type":"string"}`, ""},
		{reflect.TypeFor[dut.Function](), `{"type":"string","enum":["supply","ground","input","output","bidirectional","analog","no connect"]}`, ""},
		{reflect.TypeFor[bench.StrapKind](), `{"type":"string","enum":["return","channel","resistor"]}`, ""},
		{reflect.TypeFor[procedure.Spacing](), `{"type":"string","enum":["linear","log","list"]}`, ""},
		{reflect.TypeFor[ownWord](), `{"type":"string","enum":["a","b"]}`, ""},
		{reflect.TypeFor[float64](), `{"type":"number","format":"double"}`, `{"type":"number"}`},
		{reflect.TypeFor[Nullable](), `{"type":["number","null"],"format":"double"}`, ""},
		{reflect.TypeFor[int](), `{"type":"integer","format":"int64"}`, `{"type":"integer"}`},
		{reflect.TypeFor[int64](), `{"type":"integer","format":"int64"}`, `{"type":"integer"}`},
		{reflect.TypeFor[uint8](), `{"type":"integer","minimum":0,"maximum":255}`, ""},
		{reflect.TypeFor[uint16](), `{"type":"integer","minimum":0,"maximum":65535}`, ""},
		{reflect.TypeFor[uint32](), `{"type":"integer","minimum":0,"maximum":4294967295}`, ""},
		{reflect.TypeFor[uint64](), `{"type":"integer","format":"uint64","minimum":0}`, `{"type":"integer","minimum":0}`},
		{reflect.TypeFor[time.Time](), `{"type":"string","format":"date-time"}`, ""},
		{reflect.TypeFor[json.RawMessage](), `{}`, ""},
		{reflect.TypeFor[any](), `{}`, ""},
		{reflect.TypeFor[[]string](), `{"type":"array","items":{"type":"string"}}`, ""},
		{reflect.TypeFor[[][]bool](), `{"type":"array","items":{"type":"array","items":{"type":"boolean"}}}`, ""},
		{reflect.TypeFor[map[string]bool](), `{"type":"object","additionalProperties":{"type":"boolean"}}`, ""},
		{reflect.TypeFor[map[int]bool](), `{"type":"object","propertyNames":{"pattern":"^(0|-?[1-9][0-9]{0,9})$"},"additionalProperties":{"type":"boolean"}}`, ""},
		{reflect.TypeFor[*string](), `{"type":["string","null"]}`, `{"type":"string"}`},
		{reflect.TypeFor[*uint8](), `{"type":["integer","null"],"minimum":0,"maximum":255}`, `{"type":"integer","minimum":0,"maximum":255}`},
		{reflect.TypeFor[apiThing](), `{"$ref":"#/components/schemas/Thing"}`, `{"$ref":"#/$defs/Thing"}`},
		{reflect.TypeFor[*apiThing](), `{"oneOf":[{"$ref":"#/components/schemas/Thing"},{"type":"null"}]}`, `{"$ref":"#/$defs/Thing"}`},
		{reflect.TypeFor[[]*apiThing](), `{"type":"array","items":{"oneOf":[{"$ref":"#/components/schemas/Thing"},{"type":"null"}]}}`, `{"type":"array","items":{"$ref":"#/$defs/Thing"}}`},
	} {
		if got := written(t, known.NewMaker().Of(c.typ)); got != c.want {
			t.Errorf("%s\ngot  %s\nwant %s", c.typ, got, c.want)
		}
		if c.plain == "" {
			c.plain = c.want
		}
		if got := written(t, known.newMaker(procedureStyle).Of(c.typ)); got != c.plain {
			t.Errorf("%s, plain\ngot  %s\nwant %s", c.typ, got, c.plain)
		}
	}
	if _, known := types.words[reflect.TypeFor[ownWord]()]; known {
		t.Error("the words of one caller are those of all")
	}
}

type (
	embedded struct {
		Inner string `json:"inner" doc:"from within"`
	}
	// tagged has each tag that a field can have.
	tagged struct {
		embedded
		Bare    string   `json:"bare"`
		Omitted int      `json:"omitted,omitempty"`
		Zero    bool     `json:"zero,omitzero"`
		Doc     float64  `json:"doc" doc:"level, V"`
		Max     string   `json:"max" max:"64"`
		NoMax   string   `json:"noMax" max:"many"`
		Gone    chan int `json:"-"`
		unseen  chan int
		Words   procedure.Use `json:"words" doc:"what is forced" max:"9"`
		Maybe   *tagged       `json:"maybe" doc:"another"`
	}
)

// TestTags: what each tag of a field adds, written by hand. Fields that JSON
// leaves out need have no schema.
func TestTags(t *testing.T) {
	_ = tagged{}.unseen
	m := types.NewMaker()
	m.Of(reflect.TypeFor[tagged]())
	want := `{"type":"object","properties":{` +
		`"bare":{"type":"string"},` +
		`"doc":{"type":"number","format":"double","description":"level, V"},` +
		`"inner":{"type":"string","description":"from within"},` +
		`"max":{"type":"string","maxLength":64},` +
		`"maybe":{"description":"another","oneOf":[{"$ref":"#/components/schemas/Tagged"},{"type":"null"}]},` +
		`"noMax":{"type":"string"},` +
		`"omitted":{"type":"integer","format":"int64"},` +
		`"words":{"type":"string","description":"what is forced","enum":["voltage","current","return","open"],"maxLength":9},` +
		`"zero":{"type":"boolean"}},` +
		`"required":["bare","doc","inner","max","maybe","noMax","words"],"additionalProperties":false}`
	if got := written(t, m.Components["Tagged"]); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if len(m.Components) != 1 {
		t.Errorf("%d components", len(m.Components))
	}
}

// TestSchemaReadsItself: a schema that is written is read as the same, with the
// keywords whose JSON has two forms.
func TestSchemaReadsItself(t *testing.T) {
	for _, text := range []string{`{}`, `{"type":"string"}`, `{"type":["number","null"]}`, `{"additionalProperties":false}`, `{"additionalProperties":{}}`,
		`{"type":"object","additionalProperties":{"type":["integer","null"],"minimum":0}}`, `{"oneOf":[{"$ref":"#/x"},{"type":"null"}]}`} {
		var x Schema
		if err := json.Unmarshal([]byte(text), &x); err != nil {
			t.Errorf("%s: %v", text, err)
		} else if got := written(t, &x); got != text {
			t.Errorf("%s became %s", text, got)
		}
	}
	for _, text := range []string{`{"type":1}`, `{"type":[1]}`, `{"additionalProperties":1}`, `{"properties":[]}`} {
		if err := json.Unmarshal([]byte(text), new(Schema)); err == nil {
			t.Errorf("%s is a schema", text)
		}
	}
}

// TestMessages: what is said of a value that a body or a query may not have.
func TestMessages(t *testing.T) {
	low, high := 1.0, 20.0
	for _, c := range []struct {
		schema     Schema
		text, want string
	}{
		{Whole(1, 20), "21", "must be 1 to 20, not 21"},
		{Schema{Type: JSONTypes{"integer"}, Minimum: &low}, "0", "must be at least 1, not 0"},
		{Schema{Type: JSONTypes{"integer"}, Maximum: &high}, "21", "must be at most 20, not 21"},
		{Whole(1, 20), "1.0", "must be a whole number, not 1.0"},
		{Whole(1, 20), "99999999999999999999", "99999999999999999999 is beyond what a whole number can hold"},
		{Schema{Type: JSONTypes{"integer"}, Format: "uint64"}, "-1", "must be a whole number from 0 to 18446744073709551615, not -1"},
		{Schema{Type: JSONTypes{"number"}}, "1e999", "1e999 is beyond what a number can hold"},
		{Schema{Type: JSONTypes{"number"}}, "one", `"one" is not a number`},
		{Text(3), "abcd", "has 4 characters; at most 3 fit"},
		{Text(3), "äöü", ""},
		{Text(0, "pass", "fail"), "lost", `"lost" is not one of pass, fail`},
		{Text(0), "\x00", "must not hold a zero character"},
		{Schema{Type: JSONTypes{"string"}, Format: "date-time"}, "2030-01-31", "must be a time such as 2030-01-31T15:04:05Z"},
		{Schema{Type: JSONTypes{"string"}, Format: "date-time"}, "2030-02-30T15:04:05Z", "must be a time such as 2030-01-31T15:04:05Z"},
		{Schema{Type: JSONTypes{"string"}, Format: "date-time"}, "2030-01-31T15:04:05.5-01:00", ""},
		{Flag(), "1", "must be true or false"},
		{Flag(), "false", ""},
		{Whole(1, 20), "20", ""},
	} {
		ps := CheckQuery(url.Values{"q": {c.text}}, []Param{Query("q", "", c.schema)})
		switch {
		case c.want == "" && len(ps) > 0, c.want != "" && (len(ps) != 1 || ps[0] != dut.Problem{Field: "q", Message: c.want}):
			t.Errorf("%q: %v, want %q", c.text, ps, c.want)
		}
	}
}

// strictText is a type whose JSON its schema says too little of.
type strictText string

func (s *strictText) UnmarshalJSON(b []byte) error { return json.Unmarshal(b, new(int)) }

// TestDecodeBeyondSchema: what a schema cannot say is refused all the same, as
// the fault of whoever sent it.
func TestDecodeBeyondSchema(t *testing.T) {
	type holder struct {
		Text strictText `json:"text"`
	}
	_, err := Decode[holder](types, []byte(`{"text":"a"}`))
	if p := refused(t, err); len(p.Fields) != 1 || p.Fields[0].Message != "is of the wrong type or out of range" {
		t.Errorf("%v", p.Fields)
	}
	_, err = Decode[map[int8]int](types, []byte(`{"300":1}`))
	if p := refused(t, err); len(p.Fields) != 1 {
		t.Errorf("%v", p.Fields)
	}
}

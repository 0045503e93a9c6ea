package apidoc

import (
	"encoding/json"
	"math"
	"reflect"
	"testing"
)

type schemaSample struct {
	Plain   string            `json:"plain"`
	Maybe   *float64          `json:"maybe"`
	Left    []int             `json:"left,omitempty"`
	Nested  *schemaSample     `json:"nested,omitempty"`
	ByPin   map[int]string    `json:"byPin"`
	Limited string            `json:"limited" max:"3" doc:"a word"`
	Null    Nullable          `json:"null"`
	Raw     json.RawMessage   `json:"raw"`
	Words   map[string]string `json:"words"`
	hidden  int
	Hidden2 int `json:"-"`
}

// TestSchema compares a schema with one written by hand (JSON Schema 2020-12).
func TestSchema(t *testing.T) {
	_ = schemaSample{}.hidden
	s := types.NewMaker()
	if got := s.Of(reflect.TypeFor[schemaSample]()).Ref; got != componentPrefix+"SchemaSample" {
		t.Errorf("reference %q", got)
	}
	got, err := json.Marshal(s.Components["SchemaSample"])
	if err != nil {
		t.Fatal(err)
	}
	want := `{"type":"object","properties":{` +
		`"byPin":{"type":"object","propertyNames":{"pattern":"^(0|-?[1-9][0-9]{0,9})$"},"additionalProperties":{"type":"string"}},` +
		`"left":{"type":"array","items":{"type":"integer","format":"int64"}},` +
		`"limited":{"type":"string","description":"a word","maxLength":3},` +
		`"maybe":{"type":["number","null"],"format":"double"},` +
		`"nested":{"oneOf":[{"$ref":"#/components/schemas/SchemaSample"},{"type":"null"}]},` +
		`"null":{"type":["number","null"],"format":"double"},` +
		`"plain":{"type":"string"},"raw":{},` +
		`"words":{"type":"object","additionalProperties":{"type":"string"}}},` +
		`"required":["byPin","limited","maybe","null","plain","raw","words"],"additionalProperties":false}`
	if string(got) != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func TestNullable(t *testing.T) {
	got, err := json.Marshal([]Nullable{1.5, Nullable(math.NaN()), Nullable(math.Inf(-1)), -0.25})
	if err != nil || string(got) != "[1.5,null,null,-0.25]" {
		t.Errorf("%s, %v", got, err)
	}
}

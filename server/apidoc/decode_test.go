package apidoc

import (
	"encoding/json"
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
)

// sample has every kind of type that a body can have.
type sample struct {
	Name   string                     `json:"name" max:"5"`
	Number float64                    `json:"number"`
	Count  int                        `json:"count,omitempty"`
	Small  uint8                      `json:"small,omitempty"`
	Seed   uint64                     `json:"seed,omitempty"`
	On     bool                       `json:"on,omitempty"`
	At     time.Time                  `json:"at,omitzero"`
	Use    procedure.Use              `json:"use,omitempty"`
	Low    *float64                   `json:"low,omitempty"`
	Pins   []int                      `json:"pins,omitempty"`
	Straps []bench.Strap              `json:"straps,omitempty"`
	Map    map[int]int                `json:"map,omitempty"`
	Limits map[string]procedure.Limit `json:"limits,omitempty"`
	Sweep  *procedure.Sweep           `json:"sweep,omitempty"`
	Any    any                        `json:"any,omitempty"`
}

// types knows the words of the packages below alone.
var types = NewTypes(nil)

// failer is what a test and a property test have in common.
type failer interface {
	Helper()
	Fatalf(format string, args ...any)
	Fatal(args ...any)
}

// refused is the error that a decoder must give.
func refused(t failer, err error) *problem.Error {
	t.Helper()
	var p *problem.Error
	if !errors.As(err, &p) {
		t.Fatalf("%v is no problem", err)
	}
	return p
}

func TestDecodeAccepts(t *testing.T) {
	body := ` {"name":"ünïcö","number":-1.5e-9,"count":-3,"small":255,"seed":18446744073709551615,"on":true,
		"at":"2030-01-31T15:04:05Z","use":"return","low":null,"pins":[1,2],"straps":[{"contact":1,"kind":"return"}],
		"map":{"1":2,"-3":4},"limits":{"r":{"low":1}},"sweep":{"spacing":"list","list":[1]},"any":[{}]}
	`
	got, err := Decode[sample](types, []byte(body))
	if err != nil {
		t.Fatal(err)
	}
	one := 1.0
	want := sample{Name: "ünïcö", Number: -1.5e-9, Count: -3, Small: 255, Seed: 1<<64 - 1, On: true,
		At: time.Date(2030, 1, 31, 15, 4, 5, 0, time.UTC), Use: procedure.UseReturn, Pins: []int{1, 2},
		Straps: []bench.Strap{{Contact: 1, Kind: bench.StrapReturn}}, Map: map[int]int{1: 2, -3: 4},
		Limits: map[string]procedure.Limit{"r": {Low: &one}}, Sweep: &procedure.Sweep{Spacing: procedure.List, List: []float64{1}},
		Any: []any{map[string]any{}}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

func TestDecodeRefuses(t *testing.T) {
	const good = `"name":"a","number":1`
	for _, tc := range []struct {
		name, body string
		code       problem.Code
		field      string
	}{
		{"empty", "", problem.Malformed, ""},
		{"blank", " \n ", problem.Malformed, ""},
		{"broken", `{"name":`, problem.Malformed, ""},
		{"unclosed", `{` + good, problem.Malformed, ""},
		{"comma at the end", `{` + good + `,}`, problem.Malformed, ""},
		{"bare word", `{"name":a,"number":1}`, problem.Malformed, ""},
		{"not a number", `{"name":"a","number":NaN}`, problem.Malformed, ""},
		{"infinity", `{"name":"a","number":Infinity}`, problem.Malformed, ""},
		{"leading zero", `{"name":"a","number":01}`, problem.Malformed, ""},
		{"two values", `{` + good + `} {}`, problem.Malformed, ""},
		{"text behind", `{` + good + `}x`, problem.Malformed, ""},
		{"not UTF-8", "{\"name\":\"\xff\",\"number\":1}", problem.Malformed, ""},
		{"too deep", `{` + good + `,"any":` + strings.Repeat("[", 100) + strings.Repeat("]", 100) + `}`, problem.Malformed, ""},
		{"twice", `{` + good + `,"name":"b"}`, problem.Malformed, "name"},
		{"twice below", `{` + good + `,"limits":{"r":{"low":1,"low":2}}}`, problem.Malformed, "limits.r.low"},
		{"no object", `[]`, problem.Invalid, "body"},
		{"null", `null`, problem.Invalid, "body"},
		{"missing", `{"name":"a"}`, problem.Invalid, "number"},
		{"unknown", `{` + good + `,"colour":1}`, problem.Invalid, "colour"},
		{"other case", `{` + good + `,"COUNT":1}`, problem.Invalid, "COUNT"},
		{"unknown below", `{` + good + `,"straps":[{"contact":1,"kind":"return","x":1}]}`, problem.Invalid, "straps[0].x"},
		{"text for number", `{"name":"a","number":"1 V"}`, problem.Invalid, "number"},
		{"number for text", `{"name":1,"number":1}`, problem.Invalid, "name"},
		{"text for list", `{` + good + `,"pins":"1"}`, problem.Invalid, "pins"},
		{"text in list", `{` + good + `,"pins":[1,"2"]}`, problem.Invalid, "pins[1]"},
		{"object for list", `{` + good + `,"pins":{}}`, problem.Invalid, "pins"},
		{"null in list", `{` + good + `,"pins":[null]}`, problem.Invalid, "pins[0]"},
		{"null", `{"name":null,"number":1}`, problem.Invalid, "name"},
		{"too large", `{"name":"a","number":1e400}`, problem.Invalid, "number"},
		{"part", `{` + good + `,"count":1.5}`, problem.Invalid, "count"},
		{"exponent", `{` + good + `,"count":1e3}`, problem.Invalid, "count"},
		{"whole too large", `{` + good + `,"count":9223372036854775808}`, problem.Invalid, "count"},
		{"small too large", `{` + good + `,"small":256}`, problem.Invalid, "small"},
		{"small below zero", `{` + good + `,"small":-1}`, problem.Invalid, "small"},
		{"seed too large", `{` + good + `,"seed":18446744073709551616}`, problem.Invalid, "seed"},
		{"word", `{` + good + `,"use":"shove"}`, problem.Invalid, "use"},
		{"time", `{` + good + `,"at":"yesterday"}`, problem.Invalid, "at"},
		{"too long", `{"name":"abcdef","number":1}`, problem.Invalid, "name"},
		{"zero character", `{"name":"a\u0000","number":1}`, problem.Invalid, "name"},
		{"key", `{` + good + `,"map":{"one":1}}`, problem.Invalid, "map[one]"},
		{"key with zero", `{` + good + `,"map":{"01":1}}`, problem.Invalid, "map[01]"},
		{"value in map", `{` + good + `,"limits":{"r":{"low":"x"}}}`, problem.Invalid, "limits.r.low"},
		{"flag", `{` + good + `,"on":"yes"}`, problem.Invalid, "on"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := Decode[sample](types, []byte(tc.body))
			p := refused(t, err)
			if p.Code != tc.code || !reflect.DeepEqual(got, sample{}) {
				t.Errorf("code %s, want %s; value %+v", p.Code, tc.code, got)
			}
			if tc.field == "" && len(p.Fields) == 0 && p.Message != "" {
				return
			}
			if len(p.Fields) != 1 || p.Fields[0].Field != tc.field || p.Fields[0].Message == "" {
				t.Errorf("fields %v, want %q", p.Fields, tc.field)
			}
		})
	}
}

// TestDecodeManyProblems: a hostile body cannot make an answer without end.
func TestDecodeManyProblems(t *testing.T) {
	body := `{"name":"a","number":1,"pins":[` + strings.Repeat(`"x",`, 100_000) + `"x"]}`
	_, err := Decode[sample](types, []byte(body))
	if p := refused(t, err); len(p.Fields) != maxProblems {
		t.Errorf("%d problems reported, want %d", len(p.Fields), maxProblems)
	}
}

// FuzzDecode: whatever is accepted is valid JSON that survives being written
// and read again; whatever is refused is the fault of whoever sent it.
func FuzzDecode(f *testing.F) {
	for _, s := range []string{`{"name":"a","number":1}`, `{"name":"a","number":1e400}`, `{"map":{"1":1,"1":2}}`, `[`,
		`{"name":"\ud800","number":0,"any":{"a":[1,2,{"b":null}]},"sweep":null}`, `{"name":"a","number":1,"seed":18446744073709551615}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		v, err := Decode[sample](types, body)
		if err != nil {
			if p := refused(t, err); p.Code != problem.Malformed && p.Code != problem.Invalid {
				t.Fatalf("code %s", p.Code)
			}
			return
		}
		if !json.Valid(body) {
			t.Fatalf("accepted %q", body)
		}
		again, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		w, err := Decode[sample](types, again)
		if err != nil {
			t.Fatalf("%s is refused: %v", again, err)
		}
		third, err := json.Marshal(w)
		if err != nil || string(third) != string(again) {
			t.Fatalf("%s became %s (%v)", again, third, err)
		}
	})
}

// FuzzDecodeDevice runs the decoder on a real document and its validation.
func FuzzDecodeDevice(f *testing.F) {
	f.Add([]byte(`{"key":"a","name":"A","package":{"family":"dual row","pins":2},"pins":[
		{"number":1,"name":"A","function":"supply","minV":0,"maxV":5,"maxI":0.1}]}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		d, err := Decode[dut.Device](types, body)
		if err == nil {
			_ = d.Validate() // must not panic
		}
	})
}

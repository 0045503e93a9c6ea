package routes

import (
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
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

func asProblem(t testing.TB, err error) *Problem {
	t.Helper()
	if problem.Of(err) == nil {
		t.Fatalf("%v is no problem", err)
	}
	return classify(err, slog.New(slog.DiscardHandler))
}

func TestDecodeAccepts(t *testing.T) {
	body := ` {"name":"ünïcö","number":-1.5e-9,"count":-3,"small":255,"seed":18446744073709551615,"on":true,
		"at":"2030-01-31T15:04:05Z","use":"return","low":null,"pins":[1,2],"straps":[{"contact":1,"kind":"return"}],
		"map":{"1":2,"-3":4},"limits":{"r":{"low":1}},"sweep":{"spacing":"list","list":[1]},"any":[{}]}
	`
	got, err := decodeBytes[sample]([]byte(body))
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
		status     int
		field      string
	}{
		{"empty", "", 400, ""},
		{"blank", " \n ", 400, ""},
		{"broken", `{"name":`, 400, ""},
		{"unclosed", `{` + good, 400, ""},
		{"comma at the end", `{` + good + `,}`, 400, ""},
		{"bare word", `{"name":a,"number":1}`, 400, ""},
		{"not a number", `{"name":"a","number":NaN}`, 400, ""},
		{"infinity", `{"name":"a","number":Infinity}`, 400, ""},
		{"leading zero", `{"name":"a","number":01}`, 400, ""},
		{"two values", `{` + good + `} {}`, 400, ""},
		{"text behind", `{` + good + `}x`, 400, ""},
		{"not UTF-8", "{\"name\":\"\xff\",\"number\":1}", 400, ""},
		{"too deep", `{` + good + `,"any":` + strings.Repeat("[", 100) + strings.Repeat("]", 100) + `}`, 400, ""},
		{"twice", `{` + good + `,"name":"b"}`, 400, "name"},
		{"twice below", `{` + good + `,"limits":{"r":{"low":1,"low":2}}}`, 400, "limits.r.low"},
		{"no object", `[]`, 422, "body"},
		{"null", `null`, 422, "body"},
		{"missing", `{"name":"a"}`, 422, "number"},
		{"unknown", `{` + good + `,"colour":1}`, 422, "colour"},
		{"other case", `{` + good + `,"COUNT":1}`, 422, "COUNT"},
		{"unknown below", `{` + good + `,"straps":[{"contact":1,"kind":"return","x":1}]}`, 422, "straps[0].x"},
		{"text for number", `{"name":"a","number":"1 V"}`, 422, "number"},
		{"number for text", `{"name":1,"number":1}`, 422, "name"},
		{"text for list", `{` + good + `,"pins":"1"}`, 422, "pins"},
		{"text in list", `{` + good + `,"pins":[1,"2"]}`, 422, "pins[1]"},
		{"object for list", `{` + good + `,"pins":{}}`, 422, "pins"},
		{"null in list", `{` + good + `,"pins":[null]}`, 422, "pins[0]"},
		{"null", `{"name":null,"number":1}`, 422, "name"},
		{"too large", `{"name":"a","number":1e400}`, 422, "number"},
		{"part", `{` + good + `,"count":1.5}`, 422, "count"},
		{"exponent", `{` + good + `,"count":1e3}`, 422, "count"},
		{"whole too large", `{` + good + `,"count":9223372036854775808}`, 422, "count"},
		{"small too large", `{` + good + `,"small":256}`, 422, "small"},
		{"small below zero", `{` + good + `,"small":-1}`, 422, "small"},
		{"seed too large", `{` + good + `,"seed":18446744073709551616}`, 422, "seed"},
		{"word", `{` + good + `,"use":"shove"}`, 422, "use"},
		{"time", `{` + good + `,"at":"yesterday"}`, 422, "at"},
		{"too long", `{"name":"abcdef","number":1}`, 422, "name"},
		{"zero character", `{"name":"a\u0000","number":1}`, 422, "name"},
		{"key", `{` + good + `,"map":{"one":1}}`, 422, "map[one]"},
		{"key with zero", `{` + good + `,"map":{"01":1}}`, 422, "map[01]"},
		{"value in map", `{` + good + `,"limits":{"r":{"low":"x"}}}`, 422, "limits.r.low"},
		{"flag", `{` + good + `,"on":"yes"}`, 422, "on"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := decodeBytes[sample]([]byte(tc.body))
			p := asProblem(t, err)
			if p.Status != tc.status || !reflect.DeepEqual(got, sample{}) {
				t.Errorf("status %d, want %d; value %+v", p.Status, tc.status, got)
			}
			if tc.field == "" && len(p.Fields) == 0 && p.Detail != "" {
				return
			}
			if len(p.Fields) != 1 || p.Fields[0].Field != tc.field || p.Fields[0].Message == "" {
				t.Errorf("fields %v, want %q", p.Fields, tc.field)
			}
		})
	}
}

func TestDecodeRequest(t *testing.T) {
	const good = `{"name":"a","number":1}`
	for _, tc := range []struct {
		media, body string
		status      int
	}{
		{"application/json", good, 0},
		{"application/json; charset=utf-8", good, 0},
		{"", good, 415},
		{"text/plain", good, 415},
		{"application/x-www-form-urlencoded", "name=a", 415},
		{"application/json; charset=latin1", good, 415},
		{"application/json", `{"name":"` + strings.Repeat("a", maxBody) + `"}`, 413},
	} {
		r := httptest.NewRequest(http.MethodPost, "/", strings.NewReader(tc.body))
		r.Header.Set("Content-Type", tc.media)
		_, err := decode[sample](r)
		switch {
		case tc.status == 0 && err != nil, tc.status != 0 && err == nil:
			t.Errorf("%s: %v", tc.media, err)
		case err != nil && classify(err, nil).Status != tc.status:
			t.Errorf("%s: %v, want status %d", tc.media, err, tc.status)
		}
	}
}

// TestDecodeManyProblems: a hostile body cannot make an answer without end.
func TestDecodeManyProblems(t *testing.T) {
	body := `{"name":"a","number":1,"pins":[` + strings.Repeat(`"x",`, 100_000) + `"x"]}`
	_, err := decodeBytes[sample]([]byte(body))
	if p := asProblem(t, err); len(p.Fields) != maxProblems {
		t.Errorf("%d problems reported, want %d", len(p.Fields), maxProblems)
	}
}

// FuzzDecode: whatever is accepted is valid JSON that survives being written
// and read again; whatever is refused is refused with a status below 500.
func FuzzDecode(f *testing.F) {
	for _, s := range []string{`{"name":"a","number":1}`, `{"name":"a","number":1e400}`, `{"map":{"1":1,"1":2}}`, `[`,
		`{"name":"\ud800","number":0,"any":{"a":[1,2,{"b":null}]},"sweep":null}`, `{"name":"a","number":1,"seed":18446744073709551615}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		v, err := decodeBytes[sample](body)
		if err != nil {
			if p := asProblem(t, err); p.Status < 400 || p.Status >= 500 {
				t.Fatalf("status %d", p.Status)
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
		w, err := decodeBytes[sample](again)
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
		d, err := decodeBytes[dut.Device](body)
		if err == nil {
			_ = d.Validate() // must not panic
		}
	})
}

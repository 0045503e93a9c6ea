package procedure

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// whole is a procedure with every kind and most fields.
func whole() Procedure {
	d := inverterDevice()
	var ms []Measurement
	for _, k := range Kinds() {
		ms = append(ms, k.Default(d))
	}
	ms[8].Step = &Step{Pin: 6, Use: UseVoltage, Compliance: 1e-3, Sweep: Sweep{Spacing: List, List: []float64{1, 2}}}
	ms[7].Hold = []Hold{{Pin: 1, Use: UseVoltage, Level: 5, Compliance: 1e-3}}
	ms[7].Note = "<5 V> & \"µ\""
	return procedureOf(ms...)
}

func TestCanonicalRoundTrip(t *testing.T) {
	p := whole()
	a, err := p.Canonical()
	if err != nil {
		t.Fatal(err)
	}
	q, err := ParseProcedure(a)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(p, q); diff != "" {
		t.Error(diff)
	}
	b, _ := q.Canonical()
	if string(a) != string(b) {
		t.Errorf("%s\n%s", a, b)
	}
	if !strings.Contains(string(a), `"<5 V> & \"µ\""`) {
		t.Error("text is escaped for HTML")
	}
}

// The same content gives the same bytes, however its empty parts are written.
func TestCanonicalEmptyParts(t *testing.T) {
	a := Procedure{Key: "k", Measurements: []Measurement{{Pins: []int{}, Hold: []Hold{}, Limits: map[string]Limit{}}}}
	b := Procedure{Key: "k", Measurements: []Measurement{{}}}
	x, _ := a.Canonical()
	y, _ := b.Canonical()
	if string(x) != string(y) {
		t.Errorf("%s\n%s", x, y)
	}
	none, _ := Procedure{}.Canonical()
	if !strings.Contains(string(none), `"measurements":[]`) {
		t.Errorf("%s", none)
	}
	if _, err := (Procedure{Guard: math.NaN()}).Canonical(); err == nil {
		t.Error("NaN was written")
	}
}

func TestParseProcedureRefuses(t *testing.T) {
	for name, text := range map[string]string{
		"empty":          ``,
		"broken":         `{"key":`,
		"unknown field":  `{"key":"a","colour":"red"}`,
		"unknown deeper": `{"measurements":[{"sweep":{"form":1}}]}`,
		"more after it":  `{"key":"a"} {"key":"b"}`,
		"wrong type":     `{"measurements":[{"pins":"1"}]}`,
		"huge number":    `{"guard":1e400}`,
		"not UTF-8":      "{\"key\":\"\xff\"}",
		"too large":      `{"key":"` + strings.Repeat("a", MaxJSON) + `"}`,
		"list":           `[]`,
	} {
		if p, err := ParseProcedure([]byte(text)); err == nil {
			t.Errorf("%s: %+v", name, p)
		}
	}
}

func FuzzParseProcedure(f *testing.F) {
	seed, _ := whole().Canonical()
	f.Add(seed)
	f.Add([]byte(`{"key":"a","measurements":[{"kind":"sweep","pins":[1],"sweep":{"spacing":"log","from":1e-9,"to":-1,"points":-5}}]}`))
	f.Add([]byte(`{"measurements":[{"kind":"threshold","pins":null,"step":{"pin":1},"limits":{"x":{"low":null}}}]}`))
	f.Add([]byte(`{"measurements":[{"kind":"watch","pins":[2],"duration":1e308,"interval":1e-308,"aperture":{"cycles":1e-300}}]}`))
	d := inverterDevice()
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := ParseProcedure(data)
		if err != nil {
			return
		}
		a, err := p.Canonical()
		if err != nil {
			t.Fatalf("read but not written: %v", err)
		}
		q, err := ParseProcedure(a)
		if err != nil {
			t.Fatalf("written but not read: %v\n%s", err, a)
		}
		if b, _ := q.Canonical(); string(a) != string(b) {
			t.Fatalf("not canonical:\n%s\n%s", a, b)
		}
		_ = p.Validate(d) // says what is wrong, never panics
	})
}

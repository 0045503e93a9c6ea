package dut

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestDuplicate(t *testing.T) {
	d := amplifier()
	e := d.Duplicate("second", "Second")
	e.Pins[0].Name, e.Power[0].Level = "changed", 1
	if diff := cmp.Diff(amplifier(), d); diff != "" {
		t.Error("the original changed:", diff)
	}
	if e.Key != "second" || e.Name != "Second" || e.Validate() != nil {
		t.Errorf("%+v", e)
	}
}

func TestRenumber(t *testing.T) {
	d := amplifier()
	e, err := d.Renumber(d.Reversed())
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, p := range e.Pins {
		got = append(got, brief(p))
	}
	want := []string{"1 OUT output -0.3..12 0.02A", "2 GND ground 0.1A", "3 IN input >4 -0.3..12 +0.3 0.01A", "4 VP supply -0.3..12 0.1A"}
	if diff := cmp.Diff(want, got); diff != "" || e.Power[0].Pin != 4 {
		t.Error(diff, e.Power)
	}
	if e, err := d.Renumber(d.Shifted(-1)); err != nil || e.Pins[3].Name != "VP" || e.Pins[0].Name != "IN" {
		t.Errorf("%v %+v", err, e.Pins)
	}
	for name, to := range map[string]map[int]int{
		"onto another": {1: 2}, "off the package": {1: 5}, "to 0": {1: 0}, "no such pin": {9: 1},
	} {
		if e, err := d.Renumber(to); err == nil || !cmp.Equal(d, e) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if e, err := d.Renumber(map[int]int{1: 2, 2: 1}); err != nil || e.Pins[0].Name != "IN" || e.Pins[0].Clamp != 2 || e.Power[0].Pin != 2 {
		t.Errorf("swap: %v %+v", err, e)
	}
}

// TestRenumberBack: renumbering and renumbering back changes nothing.
func TestRenumberBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := amplifier()
		order := rapid.Permutation([]int{1, 2, 3, 4}).Draw(t, "order")
		to, back := map[int]int{}, map[int]int{}
		for i, n := range order {
			to[i+1], back[n] = n, i+1
		}
		e, err := d.Renumber(to)
		if err != nil || e.Validate() != nil {
			t.Fatal(err, e.Validate())
		}
		if e, err = e.Renumber(back); err != nil || len(Diff(&d, &e)) != 0 {
			t.Fatal(err, Diff(&d, &e))
		}
		by := rapid.IntRange(-100, 100).Draw(t, "by")
		if e, err = d.Renumber(d.Shifted(by)); err != nil || e.Validate() != nil {
			t.Fatal(err)
		}
		if e, err = e.Renumber(e.Shifted(-by)); err != nil || !cmp.Equal(d, e) {
			t.Fatal(err, cmp.Diff(d, e))
		}
	})
}

func TestSetPackage(t *testing.T) {
	d := amplifier()
	big, err := d.SetPackage(Package{Family: DualRow, Pins: 8})
	if err != nil || big.Validate() != nil || len(big.Pins) != 8 || big.Pins[7] != NewPin(8) || big.Pins[1] != d.Pins[1] {
		t.Fatalf("%v %+v", err, big)
	}
	d.Pins[0].Number, d.Pins[3].Number, d.Pins[1].Clamp, d.Power[0].Pin = 4, 1, 4, 4
	small, err := d.SetPackage(Package{Family: SingleRow, Pins: 3})
	if err != nil || small.Validate() != nil || len(small.Pins) != 3 || len(small.Power) != 0 || small.Pins[1].Clamp != 0 {
		t.Fatalf("%v %v %+v", err, small.Validate(), small)
	}
	var fields []string
	for _, c := range Diff(&d, &small) {
		fields = append(fields, c.Field)
	}
	for _, f := range []string{"package.pins", "pins[1].clamp", "power[0]"} {
		if !slices.Contains(fields, f) {
			t.Errorf("no change at %s: %v", f, fields)
		}
	}
	if e, err := d.SetPackage(Package{Family: Quad, Pins: 6}); err == nil || !cmp.Equal(d, e) {
		t.Error("a quad of six")
	}
}

// fields visits every plain field of v by its path in JSON.
func fields(v reflect.Value, path string, visit func(string, reflect.Value)) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
			if path != "" {
				name = path + "." + name
			}
			fields(v.Field(i), name, visit)
		}
	case reflect.Slice:
		for i := range v.Len() {
			fields(v.Index(i), fmt.Sprintf("%s[%d]", path, i), visit)
		}
	default:
		visit(path, v)
	}
}

// alter gives a plain value another one.
func alter(t *testing.T, v reflect.Value) {
	switch v.Kind() {
	case reflect.String:
		v.SetString(v.String() + "x")
	case reflect.Int:
		v.SetInt(v.Int() + 7)
	case reflect.Float64:
		v.SetFloat(v.Float() + 1e-7)
	case reflect.Bool:
		v.SetBool(!v.Bool())
	default:
		t.Fatalf("a field of kind %s", v.Kind())
	}
}

// TestDiffNamesEveryField changes each field of a device, found by reflection, so
// that a new field without a place in Diff fails here.
func TestDiffNamesEveryField(t *testing.T) {
	n := 0
	base := amplifier()
	fields(reflect.ValueOf(&base).Elem(), "", func(string, reflect.Value) { n++ })
	if n < 40 {
		t.Fatalf("only %d fields", n)
	}
	for k := range n {
		a, b := amplifier(), amplifier()
		i, changed := 0, ""
		fields(reflect.ValueOf(&b).Elem(), "", func(path string, v reflect.Value) {
			if i == k {
				changed = path
				alter(t, v)
			}
			i++
		})
		if len(Diff(&a, &a)) != 0 || len(Diff(&b, &b)) != 0 {
			t.Fatal("a device differs from itself")
		}
		found := false
		for _, c := range Diff(&a, &b) {
			// The pin that a power step is for makes it another step.
			found = found || c.Field == changed || strings.HasSuffix(changed, ".pin") && c.Field == strings.TrimSuffix(changed, ".pin")
			if c.What == "" || c.Before == c.After {
				t.Errorf("%s: %+v", changed, c)
			}
		}
		if !found {
			t.Errorf("%s: %+v", changed, Diff(&a, &b))
		}
	}
}

func TestDiffOfLists(t *testing.T) {
	a, b := amplifier(), amplifier()
	b.Pins[0], b.Pins[1] = b.Pins[1], b.Pins[0]
	if c := Diff(&a, &b); len(c) != 1 || c[0].Field != "pins" {
		t.Errorf("order: %+v", c)
	}
	b = amplifier()
	b.Pins = b.Pins[:3]
	if c := Diff(&a, &b); len(c) != 1 || c[0].What != "pin 4 OUT gone" || c[0].Before != "output, −300 mV to 12 V, 20 mA" {
		t.Errorf("gone: %+v", c)
	}
	if c := Diff(&b, &a); len(c) != 1 || c[0].Field != "pins[3]" {
		t.Errorf("added: %+v", c)
	}
	b = amplifier()
	b.Pins[1].MaxV = 5.5
	if c := Diff(&a, &b); len(c) != 1 || c[0] != (Change{"pins[1].maxV", "pin 2 IN: highest rated voltage", "12 V", "5.5 V"}) {
		t.Errorf("%+v", c)
	}
	b = amplifier()
	b.Pins[3].Number = 2 // not valid, but Diff must not lose it
	if c := Diff(&a, &b); len(c) != 1 || c[0].Field != "pins[3].number" {
		t.Errorf("twice: %+v", c)
	}
	a.Power = append(a.Power, PowerStep{Pin: 3, Level: 1, Limit: 1})
	b = a.Clone()
	b.Power[0], b.Power[1] = b.Power[1], b.Power[0]
	if c := Diff(&a, &b); len(c) != 1 || c[0].Before != "pin 1, pin 3" || c[0].After != "pin 3, pin 1" {
		t.Errorf("power: %+v", c)
	}
}

package dut

import (
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// anyDevice draws a device that is valid, of any package, with any functions
// and ratings.
func anyDevice(t *rapid.T) Device {
	d := Device{
		Key:         rapid.StringMatching(`[a-z0-9]([a-z0-9-]{0,10}[a-z0-9])?`).Draw(t, "key"),
		Name:        rapid.StringMatching(`[A-Za-zé0-9<&"][A-Za-zé0-9 <&"]{0,20}`).Draw(t, "name"),
		Description: rapid.StringOfN(rapid.RuneFrom([]rune("aé\n<&>\"\u2028 ")), 0, 30, -1).Draw(t, "description"),
		Model:       rapid.SampledFrom([]string{"", "load", "gate"}).Draw(t, "model"),
	}
	d.Package = rapid.SampledFrom([]Package{
		{Family: SingleRow, Pins: 1}, {Family: SingleRow, Pins: 4}, {Family: DualRow, Pins: 5}, {Family: DualRow, Pins: 14},
		{Family: Quad, Pins: 16, ThermalPad: true}, {Family: Grid, Pins: 9, Columns: 3}, {Family: Grid, Pins: 6}, {Family: DualRow, Pins: 48},
	}).Draw(t, "package")
	volt := rapid.SampledFrom([]float64{0, 0.3, 3.6, 5.5, 12, 60, 4.7, 1e-3})
	var supplies []int
	for n := 1; n <= d.Package.Pins; n++ {
		p := Pin{Number: n, Name: rapid.StringMatching(`[A-Z][A-Z0-9_+<-]{0,8}`).Draw(t, "pin"), Function: rapid.SampledFrom(Functions()).Draw(t, "function"),
			MaxV: volt.Draw(t, "maxV"), MinV: -volt.Draw(t, "minV"), MaxI: rapid.SampledFrom([]float64{0, 5e-6, 0.02, 10}).Draw(t, "maxI"),
			Logic: rapid.SampledFrom(append(logicKeys(), "")).Draw(t, "logic")}
		if p.Function == Supply {
			supplies = append(supplies, n)
			if rapid.Bool().Draw(t, "powered") {
				d.Power = append(d.Power, PowerStep{Pin: n, Level: p.MaxV, Limit: 0.05, Ramp: volt.Draw(t, "ramp"), Delay: volt.Draw(t, "delay")})
			}
		}
		d.Pins = append(d.Pins, p)
	}
	for i := range d.Pins {
		if p := &d.Pins[i]; len(supplies) > 0 && p.Function != Supply && rapid.Bool().Draw(t, "clamped") {
			p.Clamp, p.AboveClamp = rapid.SampledFrom(supplies).Draw(t, "clamp"), volt.Draw(t, "above")
		}
	}
	return d
}

// TestAnyDeviceIsValid: what the other properties draw is what people may save.
func TestAnyDeviceIsValid(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDevice(t)
		if err := d.Validate(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestDeviceThroughJSON: a device is the same after JSON, and the same device
// gives the same bytes.
func TestDeviceThroughJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDevice(t)
		text, err := d.Canonical()
		if err != nil {
			t.Fatal(err)
		}
		back, err := ParseDevice(text)
		if err != nil || !cmp.Equal(d, back) {
			t.Fatalf("%v %s", err, cmp.Diff(d, back))
		}
		again, err := back.Canonical()
		if err != nil || string(again) != string(text) {
			t.Fatalf("%v:\n%s\n%s", err, text, again)
		}
		var loose map[string]any
		if err := json.Unmarshal(text, &loose); err != nil || strings.ContainsAny(string(text), "\n") {
			t.Fatalf("%v in %s", err, text)
		}
	})
}

// TestDiffIsEmptyForTheSameContentAlone: no change is listed if and only if
// both devices have the same bytes.
func TestDiffIsEmptyForTheSameContentAlone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyDevice(t)
		b := a.Clone()
		if rapid.Bool().Draw(t, "other") {
			b = anyDevice(t)
		}
		x, _ := a.Canonical()
		y, _ := b.Canonical()
		if same := string(x) == string(y); same != (len(Diff(&a, &b)) == 0) || same != (len(Diff(&b, &a)) == 0) {
			t.Fatalf("%s\n%s\n%+v", x, y, Diff(&a, &b))
		}
	})
}

// changeSome alters some plain fields of a device, but what pairs its pins and
// steps, and returns their paths.
func changeSome(t *rapid.T, d *Device) []string {
	var paths []string
	fields(reflect.ValueOf(d).Elem(), "", func(path string, v reflect.Value) {
		if strings.HasSuffix(path, ".number") || strings.HasSuffix(path, ".pin") || rapid.IntRange(0, 9).Draw(t, "leave") > 0 {
			return
		}
		switch v.Kind() {
		case reflect.String:
			v.SetString(v.String() + "x")
		case reflect.Int:
			v.SetInt(v.Int() + 1)
		case reflect.Float64:
			v.SetFloat(v.Float() + 0.125)
		case reflect.Bool:
			v.SetBool(!v.Bool())
		}
		paths = append(paths, path)
	})
	return paths
}

// TestDiffThenApplyGivesTheOther: taking over the fields that Diff names, and
// no others, makes one device the other.
func TestDiffThenApplyGivesTheOther(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyDevice(t)
		b := a.Clone()
		changed := changeSome(t, &b)
		var named []string
		for _, c := range Diff(&a, &b) {
			named = append(named, c.Field)
			if c.What == "" || c.Before == c.After {
				t.Fatalf("%+v", c)
			}
		}
		slices.Sort(changed)
		slices.Sort(named)
		if !slices.Equal(changed, named) {
			t.Fatalf("changed %q, named %q", changed, named)
		}
		theirs := map[string]reflect.Value{}
		fields(reflect.ValueOf(&b).Elem(), "", func(path string, v reflect.Value) { theirs[path] = v })
		got := a.Clone()
		fields(reflect.ValueOf(&got).Elem(), "", func(path string, v reflect.Value) {
			if slices.Contains(named, path) {
				v.Set(theirs[path])
			}
		})
		if diff := cmp.Diff(b, got); diff != "" {
			t.Fatal(diff)
		}
	})
}

// TestCloneSharesNothing: whatever is done to a copy, the original stays.
func TestCloneSharesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDevice(t)
		before, _ := d.Canonical()
		c := d.Clone()
		changeSome(t, &c)
		c.Pins = append(c.Pins, NewPin(48))
		if after, _ := d.Canonical(); string(before) != string(after) {
			t.Fatalf("%s\n%s", before, after)
		}
	})
}

// TestSetPackageKeepsWhatFits: pins that the new package has keep everything
// but a clamp that is gone; the device stays valid; a larger package and back is
// the same device.
func TestSetPackageKeepsWhatFits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDevice(t)
		n := rapid.IntRange(1, MaxPins).Draw(t, "pins")
		e, err := d.SetPackage(Package{Family: SingleRow, Pins: n})
		if err != nil || e.Validate() != nil || len(e.Pins) != n {
			t.Fatal(err, e.Validate(), len(e.Pins))
		}
		for _, p := range e.Pins {
			was, had := d.Pin(p.Number)
			if !had {
				was = NewPin(p.Number)
			} else if was.Clamp > n {
				was.Clamp, was.AboveClamp = 0, 0
			}
			if p != was {
				t.Fatalf("%+v was %+v", p, was)
			}
		}
		for _, s := range e.Power {
			if s.Pin > n {
				t.Fatalf("%+v", s)
			}
		}
		if n >= d.Package.Pins {
			back, err := e.SetPackage(d.Package)
			if err != nil || !cmp.Equal(d, back) {
				t.Fatal(err, cmp.Diff(d, back))
			}
		}
	})
}

// TestUndoOfAnyRenumbering: what Renumber does, Renumber takes back.
func TestUndoOfAnyRenumbering(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDevice(t)
		to, back := d.Reversed(), map[int]int{}
		if rapid.Bool().Draw(t, "shift") {
			to = d.Shifted(rapid.IntRange(-60, 60).Draw(t, "by"))
		}
		for from, n := range to {
			back[n] = from
		}
		e, err := d.Renumber(to)
		if err != nil || e.Validate() != nil {
			t.Fatal(err, e.Validate())
		}
		again, err := e.Renumber(back)
		if err != nil || !cmp.Equal(d, again) {
			t.Fatal(err, cmp.Diff(d, again))
		}
	})
}

// TestSortedPins: pins come in ascending order, none is lost.
func TestSortedPins(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDevice(t)
		mixed := d.Clone()
		order := make([]int, len(d.Pins))
		for i := range order {
			order[i] = i
		}
		for i, k := range rapid.Permutation(order).Draw(t, "order") {
			mixed.Pins[i] = d.Pins[k]
		}
		if diff := cmp.Diff(d, mixed.SortPins()); diff != "" {
			t.Fatal(diff)
		}
	})
}

// TestWarningsNameFields: a warning is about a field that the device has, and
// says something.
func TestWarningsNameFields(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDevice(t)
		paths := map[string]bool{"pins": true, "power": true}
		fields(reflect.ValueOf(&d).Elem(), "", func(path string, _ reflect.Value) { paths[path] = true })
		for _, w := range d.Warnings() {
			if !paths[w.Field] || len(w.Message) < 10 {
				t.Fatalf("%+v", w)
			}
		}
	})
}

// TestProblemsAsText: problems are one error that names each field.
func TestProblemsAsText(t *testing.T) {
	var ps Problems
	if ps.Err() != nil {
		t.Error("no problem is an error")
	}
	ps.Add("name", "has %d characters", 3)
	ps.Add("pins", "are missing")
	if got := ps.Err().Error(); got != "name: has 3 characters; pins: are missing" {
		t.Error(got)
	}
}

// TestReadJSONRefusals: the words say what is wrong with a document.
func TestReadJSONRefusals(t *testing.T) {
	for text, words := range map[string]string{
		`{"a":1}`: "unknown field", `{} {}`: "more text after its end", `{`: "unexpected EOF", "\"\xff\"": "not valid UTF-8", `[]`: "cannot unmarshal",
		strings.Repeat(" ", 33): "at most 32 are read", `{"name":3}`: "cannot unmarshal", ``: "EOF",
	} {
		var v struct {
			Name string `json:"name"`
		}
		if err := ReadJSON([]byte(text), 32, &v); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%q: %v", text, err)
		}
	}
	if b, err := WriteJSON(map[string]string{"a": "<&>"}); err != nil || string(b) != `{"a":"<&>"}` {
		t.Errorf("%s, %v", b, err)
	}
	if _, err := WriteJSON(func() {}); err == nil {
		t.Error("a function was written")
	}
}

// TestValidateNamesEveryField: a value that cannot be is refused wherever it
// stands, at the path of its field.
func TestValidateNamesEveryField(t *testing.T) {
	long := strings.Repeat("x", 5000)
	for field, bad := range map[string][]any{
		"key": {"", "A", "-a", "a-", "a b", long}, "name": {"", " ", long, "\xff"}, "description": {long, "\xff"},
		"package.family": {Family(""), Family("round")}, "package.pins": {0, -1, 49},
		"pins[1].number": {0, 5, 1}, "pins[1].name": {"", "\t", strings.Repeat("x", 33), "\xff"}, "pins[1].function": {Function(""), Function("radio")},
		"pins[1].clamp": {2, 3, 9, -1}, "pins[1].logic": {"steam", long},
		"pins[1].minV": {-61.0, 12.5}, "pins[1].maxV": {60.5, -61.0}, "pins[1].aboveClamp": {-0.1, 61.0}, "pins[1].maxI": {-1e-9, 10.5},
		"power[0].pin": {0, 2, 9}, "power[0].level": {-0.31, 12.1}, "power[0].limit": {0.0, -1.0, 10.5}, "power[0].ramp": {-1.0, 61.0}, "power[0].delay": {-1e-3, 60.5},
	} {
		for _, value := range bad {
			d := amplifier()
			set := false
			fields(reflect.ValueOf(&d).Elem(), "", func(path string, v reflect.Value) {
				if path == field {
					v.Set(reflect.ValueOf(value).Convert(v.Type()))
					set = true
				}
			})
			if !set {
				t.Fatalf("there is no field %s", field)
			}
			ps, _ := d.Validate().(Problems)
			if !slices.ContainsFunc(ps, func(p Problem) bool { return p.Field == field && p.Message != "" && len(p.Message) < 400 }) {
				t.Errorf("%s = %.40v: %.300s", field, value, fmt.Sprint(ps))
			}
		}
	}
}

package form

import (
	"net/url"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// TestFieldNamesArePaths: whatever a kind's form is named, the reader can follow
// it as a path of the document; a name that is none would lose its messages.
func TestFieldNamesArePaths(t *testing.T) {
	d := demo.Scenario().Devices[0]
	for _, k := range procedure.Kinds() {
		m := k.Default(&d)
		m.Hold = []procedure.Hold{{Pin: 1, Use: procedure.UseVoltage, Level: 1, Compliance: 1, Kelvin: true}}
		m.Step = &procedure.Step{Pin: 2, Use: procedure.UseVoltage, Sweep: procedure.Sweep{Spacing: procedure.List, List: []float64{1}}}
		names := []string{"retest"}
		for _, f := range k.Fields() {
			names = append(names, f.Name)
		}
		for name := range MeasurementValues(&m, k) {
			names = append(names, name)
		}
		for _, name := range names {
			if p, err := dut.ParsePath(name); err != nil || p.String() != name {
				t.Errorf("%s: field %q is no path: %v", k.Key(), name, err)
			}
		}
	}
}

// TestLevels reads the lists that people type, with decimal commas and without.
func TestLevels(t *testing.T) {
	for text, want := range map[string][]float64{
		"":                    nil,
		" ; \r\n ;":           nil,
		"1 V; 2 V":            {1, 2},
		"1; 2, 3\n4\t5\r\n6":  {1, 2, 3, 4, 5, 6},
		"0,5 V; 1,5 V":        {0.5, 1.5},
		"0,5, 1,5, ":          {0.5, 1.5},
		"-100 mV\n\n\n 1e-3 ": {-0.1, 0.001},
	} {
		r := NewReader(url.Values{"sweep.list": {text}})
		if got := r.levels("sweep.list", quantity.Volt); !slices.Equal(got, want) || len(r.Problems) > 0 {
			t.Errorf("%q gives %v, %v; want %v", text, got, r.Problems, want)
		}
	}
	for text, says := range map[string]string{"1; 2 A; x": "level 2: ", "x": "level 1: ", "1 V\n\n\n2 V; lots": "level 3: "} {
		r := NewReader(url.Values{"sweep.list": {text}})
		got := r.levels("sweep.list", quantity.Volt)
		if got != nil || len(r.Problems) != 1 || r.Problems[0].Field != "sweep.list" || !strings.HasPrefix(r.Problems[0].Message, says) {
			t.Errorf("%q gives %v, %v; want %q", text, got, r.Problems, says)
		}
	}
}

// TestLimitsInOrder: what is wrong with both sides of a limit is said in the
// order of the form, each time.
func TestLimitsInOrder(t *testing.T) {
	d := demo.Scenario().Devices[0]
	k, _ := procedure.KindByKey("leakage")
	m := k.Default(&d)
	f := MeasurementValues(&m, k)
	key := k.Outputs()[0].Key
	f.Set("limits."+key+".low", "few")
	f.Set("limits."+key+".high", "many")
	for range 20 {
		_, ps := CheckMeasurement(f, m, k, &d)
		if len(ps) < 2 || ps[0].Field != "limits."+key+".low" || ps[1].Field != "limits."+key+".high" {
			t.Fatalf("%v", ps)
		}
	}
}

// TestTypedSweep: a preview shows the sweep as far as it can be read, and none
// where it cannot.
func TestTypedSweep(t *testing.T) {
	ok := url.Values{"sweep.spacing": {"log"}, "sweep.from": {"1 mV"}, "sweep.to": {"1 V"}, "sweep.points": {"31"}, "sweep.back": {"1"}}
	got := TypedSweep(ok, "sweep.", quantity.Volt)
	if got == nil || got.Spacing != procedure.Log || got.From != 1e-3 || got.To != 1 || got.Points != 31 || !got.Back {
		t.Errorf("%+v", got)
	}
	list := TypedSweep(url.Values{"step.sweep.spacing": {"list"}, "step.sweep.list": {"1 µA; 2 µA"}}, "step.sweep.", quantity.Ampere)
	if list == nil || !slices.Equal(list.List, []float64{1e-6, 2e-6}) || list.Points != 0 {
		t.Errorf("%+v", list)
	}
	for name, v := range map[string]url.Values{
		"no form":     {},
		"other names": {"step.sweep.spacing": {"linear"}},
		"no end":      {"sweep.spacing": {"linear"}, "sweep.from": {"1"}},
		"unit":        {"sweep.spacing": {"linear"}, "sweep.from": {"1 A"}, "sweep.to": {"1"}, "sweep.points": {"2"}},
		"points":      {"sweep.spacing": {"linear"}, "sweep.from": {"1"}, "sweep.to": {"1"}, "sweep.points": {"two"}},
		"list":        {"sweep.spacing": {"list"}, "sweep.list": {"1; two"}},
	} {
		if got := TypedSweep(v, "sweep.", quantity.Volt); got != nil {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// TestSweepUnit: what is forced decides the unit of the levels.
func TestSweepUnit(t *testing.T) {
	sweep, _ := procedure.KindByKey("sweep")
	contact, _ := procedure.KindByKey("contact")
	for _, c := range []struct {
		k    procedure.Kind
		use  string
		want quantity.Unit
	}{{sweep, "voltage", quantity.Volt}, {sweep, "current", quantity.Ampere}, {contact, "current", quantity.Volt}} {
		if got := SweepUnit(c.k, url.Values{"use": {c.use}}); got != c.want {
			t.Errorf("%s forcing a %s: %s, want %s", c.k.Key(), c.use, got, c.want)
		}
	}
}

// TestHoldRowsCount: the form shows rows up to the last that is filled.
func TestHoldRowsCount(t *testing.T) {
	for want, v := range map[int]url.Values{
		0: {"hold[3].use": {"voltage"}}, 1: {"hold[0].pin": {"1"}}, 6: {"hold[1].pin": {" "}, "hold[5].pin": {"2"}},
		MaxHolds: {holdName(MaxHolds-1) + "pin": {"1"}, holdName(MaxHolds) + "pin": {"1"}},
	} {
		if got := HoldRows(v); got != want {
			t.Errorf("%v: %d rows, want %d", v, got, want)
		}
	}
}

// TestMeasurementFieldOf: one pin of the list is entered in the field of all.
func TestMeasurementFieldOf(t *testing.T) {
	for path, want := range map[string]string{"pins[3]": "pins", "pins": "pins", "pinsX[1]": "pinsX[1]", "hold[0].pin": "hold[0].pin", "": ""} {
		if got := MeasurementField(path); got != want {
			t.Errorf("%q is entered in %q, want %q", path, got, want)
		}
	}
}

// TestSteppedPin: a family of curves has its own fields, read with their own
// units; without a pin there is none, whatever else is typed.
func TestSteppedPin(t *testing.T) {
	d := demo.Scenario().Devices[0]
	v := url.Values{"step.pin": {"3"}, "step.use": {"current"}, "step.compliance": {"2 V"}, "step.sweep.spacing": {"linear"},
		"step.sweep.from": {"0"}, "step.sweep.to": {"5 µA"}, "step.sweep.points": {"6"}}
	r := NewReader(v)
	s := r.steppedPin(&d)
	if s == nil || s.Pin != 3 || s.Use != procedure.UseCurrent || s.Compliance != 2 || s.Sweep.To != 5e-6 || s.Sweep.Points != 6 || len(r.Problems) > 0 {
		t.Errorf("%+v, %v", s, r.Problems)
	}
	v.Set("step.pin", "99")
	v.Set("step.compliance", "2 A")
	v.Set("step.sweep.from", "")
	r = NewReader(v)
	r.steppedPin(&d)
	var at []string
	for _, p := range r.Problems {
		at = append(at, p.Field)
	}
	if want := []string{"step.pin", "step.compliance", "step.sweep.from"}; !slices.Equal(at, want) {
		t.Errorf("problems at %v, want %v", at, want)
	}
	v.Set("step.pin", " ")
	if r = NewReader(v); r.steppedPin(&d) != nil || len(r.Problems) > 0 {
		t.Errorf("without a pin: %v", r.Problems)
	}
}

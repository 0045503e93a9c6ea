package derive

import (
	"math"
	"testing"
)

// electrical/resistance-methods.json: own examples of elementary algebra, after
// Thomson (1861) and NIST Technical Note 1458.
func TestResistanceMethods(t *testing.T) {
	var s map[string]map[string]any
	var doc map[string]any
	load(t, "electrical/resistance-methods.json", &doc)
	s = map[string]map[string]any{}
	for k, v := range doc {
		if m, ok := v.(map[string]any); ok {
			s[k] = m
		}
	}
	get := func(section, name string) float64 {
		t.Helper()
		v, ok := s[section][name].(float64)
		if !ok {
			t.Fatalf("no %s/%s", section, name)
		}
		return v
	}
	const i = 1e-3
	near(t, "two-wire", TwoWire(get("two_wire", "R_measured")*i, i, 2*get("two_wire", "R_lead_each")), get("two_wire", "R"), 1e-13)

	leads, rin, r4 := 2*get("four_wire", "lead"), get("four_wire", "R_in"), get("four_wire", "R")
	sensed := r4 * i * rin / (rin + leads)
	near(t, "four-wire error", (Ratio(sensed, i)-r4)/r4, get("four_wire", "relative_error"), 1e-4)
	near(t, "four-wire", FourWire(sensed, i, leads, rin), r4, 1e-15)
	near(t, "four-wire, ideal input", FourWire(0.1, i, leads, math.Inf(1)), 100, 1e-15)

	r, off := OffsetCompensated(get("offset_compensated", "V_on"), get("offset_compensated", "I"), get("offset_compensated", "V_off"), 0)
	near(t, "offset compensated", r, get("offset_compensated", "R"), 1e-13)
	near(t, "its offset", off, get("offset_compensated", "V_off"), 1e-13)

	c := "current_reversal_2_point"
	r, off = Reversal(get(c, "V_plus"), get(c, "I"), get(c, "V_minus"), -get(c, "I"))
	near(t, "reversal", r, get(c, "R"), 1e-13)
	near(t, "reversal offset", off, get(c, "offset"), 1e-10)

	c = "delta_3_point_linear_drift"
	v := s[c]["V"].([]any)
	v1, v2, v3 := v[0].(float64), v[1].(float64), v[2].(float64)
	near(t, "delta", Delta(v1, v2, v3, get(c, "I")), get(c, "R_3_point"), 1e-13)
	r, _ = Reversal(v1, i, v2, -i)
	near(t, "reversal under drift", r, get(c, "R_2_point_first_pair"), 1e-13)
	r, _, err := Reversals([]float64{v1, v2, v3}, []float64{i, -i, i})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "train", r, get(c, "R_3_point"), 1e-13)

	near(t, "shunt", WithoutShunt(get("shunt_leakage", "R_measured"), get("shunt_leakage", "R_leak")), get("shunt_leakage", "R"), 1e-13)
	near(t, "power", Dissipation(get("self_heating", "I"), get("self_heating", "R")), get("self_heating", "P"), 1e-13)
}

// A long train under drift: the deltas cancel it, and the fit of V against I with
// intercept does not, which is why the reversal exists.
func TestReversalsUnderDrift(t *testing.T) {
	var v, i []float64
	for k := range 40 {
		I := 1e-3 * (1 - 2*float64(k%2))
		i = append(i, I)
		v = append(v, 0.1*I+5e-6+1e-6*float64(k))
	}
	r, sd, err := Reversals(v, i)
	if err != nil || !(sd < 1e-13) {
		t.Errorf("sd %g, %v", sd, err)
	}
	near(t, "R", r, 0.1, 1e-11)
	l, err := FitResistance(i, v, false)
	if err != nil || math.Abs(l.Slope-0.1) < 1e-5 {
		t.Errorf("the fit hides the drift: %+v, %v", l, err)
	}
	if _, _, err := Reversals(v[:2], i[:2]); err == nil {
		t.Error("two readings make a delta")
	}
	if _, _, err := Reversals([]float64{1, 1, 1}, []float64{1, 1, 1}); err == nil {
		t.Error("currents that do not alternate make a delta")
	}
}

func TestResistanceWithoutMeaning(t *testing.T) {
	off, _ := OffsetCompensated(1, 1, 1, 1)
	rev, _ := Reversal(1, 1, 1, 1)
	for name, r := range map[string]float64{
		"ratio": Ratio(1, 0), "two-wire": TwoWire(1, 0, 1), "four-wire": FourWire(1, 0, 1, 1e9), "offset": off,
		"reversal": rev, "delta": Delta(1, 1, 1, 0), "shunt": WithoutShunt(10, 10), "output": OutputResistance(1, 1, 2, 1),
	} {
		if !math.IsNaN(r) {
			t.Errorf("%s by zero is %g", name, r)
		}
	}
}

// Signs: an output of 25 Ω behind 3.3 V that sources 4 mA (negative into the pin)
// and sinks 4 mA; a leakage of -2 nA out of the pin on a path that leaks 0.5 nA.
func TestSigns(t *testing.T) {
	v := func(i float64) float64 { return 3.3 + 25*i }
	near(t, "output resistance", OutputResistance(v(-4e-3), -4e-3, v(4e-3), 4e-3), 25, 1e-12)
	near(t, "leakage", Leakage(-1.5e-9, 0.5e-9), -2e-9, 1e-12)
}

package procedure

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/dut"
)

// anything draws a measurement with anything in any of its fields, used by its
// kind or not.
func anything(t *rapid.T) Measurement {
	number := func(label string) float64 {
		return rapid.SampledFrom([]float64{0, 1, -1, 1e-300, -1e300, 5, 0.02, math.NaN(), math.Inf(1), math.Inf(-1)}).Draw(t, label)
	}
	use := func(label string) Use {
		return rapid.SampledFrom([]Use{UseVoltage, UseCurrent, UseReturn, UseOpen, "", "odd"}).Draw(t, label)
	}
	pin := func(label string) int { return rapid.IntRange(-2, 99).Draw(t, label) }
	text := rapid.SampledFrom([]string{"", " ", "a", "\xff", strings.Repeat("x", 5000)})
	keys := []string{"odd", ""}
	for _, k := range Kinds() {
		keys = append(keys, k.Key())
	}
	m := Measurement{
		ID: text.Draw(t, "id"), Name: text.Draw(t, "name"), Note: text.Draw(t, "note"), Group: text.Draw(t, "group"),
		Kind: rapid.SampledFrom(keys).Draw(t, "kind"), Pins: rapid.SliceOfN(rapid.IntRange(-2, 99), 0, 9).Draw(t, "pins"),
		Against: pin("against"), Observe: pin("observe"), Use: use("use"), Level: number("level"), Compliance: number("compliance"),
		Powered: rapid.Bool().Draw(t, "powered"), Rest: use("rest"), Method: Method(text.Draw(t, "method")),
		Settle:   Settle{number("settle"), rapid.Bool().Draw(t, "until stable"), number("tolerance"), number("within")},
		Aperture: Aperture{number("cycles"), number("seconds")}, Repeats: rapid.IntRange(-5, 1e6).Draw(t, "repeats"),
		Duration: number("duration"), Interval: number("interval"), Retest: rapid.IntRange(-5, 99).Draw(t, "retest"),
	}
	sweep := func() *Sweep {
		return &Sweep{rapid.SampledFrom([]Spacing{Linear, Log, List, "odd"}).Draw(t, "spacing"), number("from"), number("to"),
			rapid.IntRange(-5, 2e6).Draw(t, "points"), []float64{number("listed")}, rapid.Bool().Draw(t, "back")}
	}
	if rapid.Bool().Draw(t, "sweep?") {
		m.Sweep = sweep()
	}
	if rapid.Bool().Draw(t, "step?") {
		m.Step = &Step{pin("stepped"), use("step use"), number("step compliance"), *sweep()}
	}
	for range rapid.IntRange(0, 3).Draw(t, "holds") {
		m.Hold = append(m.Hold, Hold{pin("held"), use("hold use"), number("hold level"), number("hold compliance"), rapid.Bool().Draw(t, "kelvin")})
	}
	if rapid.Bool().Draw(t, "limits?") {
		low, high := number("low"), number("high")
		m.Limits = map[string]Limit{rapid.SampledFrom([]string{"current", "upper", "odd"}).Draw(t, "limited"): {&low, &high}}
	}
	if rapid.Bool().Draw(t, "at?") {
		m.At = &Condition{Supplies: []SupplyLevel{{pin("supply"), number("supply level")}}}
	}
	if rapid.Bool().Draw(t, "own?") {
		m.Own = map[string]any{"odd": number("own")}
	}
	return m
}

// Whatever somebody sends, the check ends, and each problem has words and names
// a field that documents have.
func TestProblemsOfAnything(t *testing.T) {
	fields := append(slices.Clone(memberNames), "odd")
	rapid.Check(t, func(t *rapid.T) {
		m := anything(t)
		ps := m.Validate(inverterDevice())
		if _, known := KindByKey(m.Kind); !known || m.Repeats < 0 || m.Retest < 0 || math.IsNaN(m.Settle.Time) {
			if len(ps) == 0 {
				t.Fatalf("nothing is wrong with %+v", m)
			}
		}
		for _, p := range ps {
			path, err := dut.ParsePath(p.Field)
			if err != nil || p.Message == "" || strings.Contains(p.Message, "%!") {
				t.Fatalf("%+v: %v", p, err)
			}
			if first := path.Parts()[0].Name; !slices.Contains(fields, first) {
				t.Fatalf("%q is no field of a measurement: %s", first, p.Message)
			}
			if len(p.Message) > 1000 {
				t.Fatalf("%s has a message of %d bytes: %.200s", p.Field, len(p.Message), p.Message)
			}
		}
	})
}

// What the check finds right can be written, read back, and is still right.
func TestValidMeasurementsSurviveTheDocument(t *testing.T) {
	valid := 0
	rapid.Check(t, func(t *rapid.T) {
		d := anyDevice(t)
		m := anyMeasurement(t, rapid.SampledFrom(Kinds()).Draw(t, "kind"), d)
		if len(m.Validate(d)) > 0 {
			return
		}
		valid++
		text, err := dut.WriteJSON(m)
		if err != nil {
			t.Fatalf("valid and not written: %v", err)
		}
		var back Measurement
		if err := json.Unmarshal(text, &back); err != nil {
			t.Fatal(err)
		}
		if ps := back.Validate(d); len(ps) > 0 {
			t.Fatalf("%s\n%v", text, ps)
		}
		a, b := m.Estimate(d, testBench), back.Estimate(d, testBench)
		if a != b {
			t.Fatalf("it took %+v and takes %+v: %s", a, b, text)
		}
	})
	if valid == 0 {
		t.Error("no measurement that was drawn was valid")
	}
}

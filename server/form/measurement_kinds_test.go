package form

import (
	"net/url"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// drawSweep draws a sweep of any spacing.
func drawSweep(t *rapid.T) procedure.Sweep {
	level := rapid.Float64Range(1e-9, 10)
	s := procedure.Sweep{Spacing: rapid.SampledFrom([]procedure.Spacing{procedure.Linear, procedure.Log, procedure.List}).Draw(t, "spacing"), Back: rapid.Bool().Draw(t, "back")}
	if s.Spacing == procedure.List {
		s.List = rapid.SliceOfN(rapid.Float64Range(-10, 10), 1, 12).Draw(t, "list")
		return s
	}
	s.From, s.To, s.Points = level.Draw(t, "from"), level.Draw(t, "to"), rapid.IntRange(2, 20000).Draw(t, "points")
	return s
}

// drawHolds draws conditions on other pins.
func drawHolds(t *rapid.T) []procedure.Hold {
	var out []procedure.Hold
	for _, pin := range rapid.SliceOfNDistinct(rapid.IntRange(1, 14), 0, 5, rapid.ID).Draw(t, "held") {
		h := procedure.Hold{Pin: pin, Use: rapid.SampledFrom([]procedure.Use{procedure.UseVoltage, procedure.UseCurrent, procedure.UseReturn, procedure.UseOpen}).Draw(t, "held by")}
		if h.Use.TakesChannel() {
			h.Level, h.Compliance = rapid.Float64Range(-10, 10).Draw(t, "hold"), rapid.Float64Range(0, 1).Draw(t, "hold compliance")
			h.Kelvin = rapid.Bool().Draw(t, "kelvin")
		}
		out = append(out, h)
	}
	return out
}

// drawField draws a value for one field of a kind into m.
func drawField(t *rapid.T, f procedure.Field, m *procedure.Measurement, k procedure.Kind) {
	switch f.Type {
	case procedure.FieldPins:
		procedure.Set(f, m, rapid.SliceOfNDistinct(rapid.IntRange(1, 14), 1, 14, rapid.ID).Draw(t, f.Name))
	case procedure.FieldPin:
		procedure.Set(f, m, rapid.IntRange(0, 14).Draw(t, f.Name))
	case procedure.FieldQuantity:
		procedure.Set(f, m, rapid.Float64Range(-1e3, 1e3).Draw(t, f.Name))
	case procedure.FieldCount:
		procedure.Set(f, m, rapid.IntRange(0, 100_000).Draw(t, f.Name))
	case procedure.FieldChoice:
		procedure.Set(f, m, rapid.SampledFrom(f.Choices).Draw(t, f.Name))
	case procedure.FieldFlag:
		procedure.Set(f, m, rapid.Bool().Draw(t, f.Name))
	case procedure.FieldSweep:
		s := drawSweep(t)
		procedure.Set(f, m, &s)
	case procedure.FieldStep:
		if rapid.Bool().Draw(t, "stepped") {
			m.Step = &procedure.Step{Pin: rapid.IntRange(1, 14).Draw(t, "step pin"), Use: rapid.SampledFrom([]procedure.Use{procedure.UseVoltage, procedure.UseCurrent}).Draw(t, "step use"),
				Compliance: rapid.Float64Range(0, 1).Draw(t, "step compliance"), Sweep: drawSweep(t)}
		}
	case procedure.FieldHold:
		m.Hold = drawHolds(t)
	case procedure.FieldSettle:
		m.Settle = procedure.Settle{Time: rapid.Float64Range(0, 100).Draw(t, "settle")}
		if m.Settle.UntilStable = rapid.Bool().Draw(t, "until stable"); m.Settle.UntilStable {
			m.Settle.Tolerance, m.Settle.Within = rapid.Float64Range(1e-9, 1).Draw(t, "tolerance"), rapid.Float64Range(1e-3, 100).Draw(t, "within")
		}
	case procedure.FieldAperture:
		if x := rapid.Float64Range(1e-6, 100).Draw(t, "aperture"); rapid.Bool().Draw(t, "in seconds") {
			m.Aperture.Seconds = x
		} else {
			m.Aperture.Cycles = x
		}
	case procedure.FieldLimits:
		m.Limits = map[string]procedure.Limit{}
		for _, o := range k.Outputs() {
			low, high := rapid.Float64Range(-1e3, 1e3).Draw(t, "low"), rapid.Float64Range(-1e3, 1e3).Draw(t, "high")
			switch rapid.IntRange(0, 3).Draw(t, "sides") {
			case 1:
				m.Limits[o.Key] = procedure.Limit{Low: &low}
			case 2:
				m.Limits[o.Key] = procedure.Limit{High: &high}
			case 3:
				m.Limits[o.Key] = procedure.Limit{Low: &low, High: &high}
			}
		}
	default:
		t.Fatalf("field %s has a type that this test does not draw: %s", f.Name, f.Type)
	}
}

// TestEveryKindRoundTrip: for every kind in the table and any values of its
// fields, document to form, over the wire, to document is the identity, and
// what is wrong with it is what its kind says and nothing of the reading.
func TestEveryKindRoundTrip(t *testing.T) {
	d := demo.Scenario().Devices[0]
	for _, k := range procedure.Kinds() {
		t.Run(k.Key(), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				word := rapid.StringMatching(`[a-zä&=%+;]{1,9}`)
				m := procedure.Measurement{ID: "x", Kind: k.Key(), Name: word.Draw(t, "name"), Note: rapid.StringMatching(`[a-z\n]{0,9}`).Draw(t, "note"),
					Group: word.Draw(t, "group"), Retest: rapid.IntRange(0, 99).Draw(t, "retest"), StopOnFail: rapid.Bool().Draw(t, "stop"), Disabled: rapid.Bool().Draw(t, "disabled")}
				for _, f := range k.Fields() {
					drawField(t, f, &m, k)
				}
				sent, err := url.ParseQuery(MeasurementValues(&m, k).Encode())
				if err != nil {
					t.Fatal(err)
				}
				got, ps := CheckMeasurement(sent, procedure.Measurement{ID: "x", Kind: k.Key()}, k, &d)
				if diff := cmp.Diff(m, got, cmpopts.EquateEmpty()); diff != "" {
					t.Fatalf("%v\n%s", ps, diff)
				}
				want := map[dut.Problem]bool{}
				for _, p := range k.Validate(&got, &d) {
					p.Field = MeasurementField(p.Field)
					want[p] = true
				}
				for _, p := range ps {
					if !want[p] {
						t.Fatalf("%v is said of the form alone", p)
					}
				}
			})
		})
	}
}

// TestEveryFieldRefuses: in every kind, a field that cannot be read has one
// message, beside it, and no other field has one for that.
func TestEveryFieldRefuses(t *testing.T) {
	d := demo.Scenario().Devices[0]
	for _, k := range procedure.Kinds() {
		m := k.Default(&d)
		fine := MeasurementValues(&m, k)
		_, before := CheckMeasurement(fine, m, k, &d)
		for _, f := range k.Fields() {
			var names []string
			switch f.Type {
			case procedure.FieldPins, procedure.FieldPin, procedure.FieldQuantity, procedure.FieldCount:
				names = []string{f.Name}
			case procedure.FieldSweep:
				names = []string{f.Name + ".from", f.Name + ".to", f.Name + ".points"}
				if s := procedure.Get[*procedure.Sweep](f, &m); s == nil || s.Spacing == procedure.List {
					names = []string{f.Name + ".list"}
				}
			case procedure.FieldSettle:
				names = []string{"settle.time"}
			case procedure.FieldAperture:
				names = []string{"aperture.cycles"}
				if fine.Get("aperture") == "seconds" {
					names = []string{"aperture.seconds"}
				}
			case procedure.FieldLimits:
				for _, o := range k.Outputs() {
					names = append(names, "limits."+o.Key+".low", "limits."+o.Key+".high")
				}
			}
			for _, name := range names {
				v := MeasurementValues(&m, k)
				v.Set(name, "so-and-so")
				_, ps := CheckMeasurement(v, m, k, &d)
				n := 0
				for _, p := range ps {
					if p.Field == name {
						n++
					}
				}
				if n != 1 {
					t.Errorf("%s: %d messages beside %s: %v (%d before)", k.Key(), n, name, ps, len(before))
				}
			}
		}
	}
}

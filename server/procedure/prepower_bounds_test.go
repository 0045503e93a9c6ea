package procedure

import (
	"math"
	"slices"
	"strings"
	"testing"
)

// finds reports whether a check has a finding of that code and severity.
func finds(in *CheckInput, code string, s Severity) bool {
	r := PrePower(*in)
	return slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Code == code && f.Severity == s })
}

// Each bound of the check lies where it is worked out by hand: just inside nothing
// is said, just beyond it is.
func TestBoundsOfFindings(t *testing.T) {
	const capacitance, sourceR, pathR = 150e-12, 0.5, 4.0
	slow := 2e-3 + (sourceR+pathR)*capacitance // time constant on the 1 µA range
	for _, c := range []struct {
		name     string
		code     string
		severity Severity
		bound    float64 // in the unit of what is set
		least    bool    // the bound is the least that is good, not the most
		set      func(in *CheckInput, m *Measurement, v float64)
	}{
		{"a forced voltage", CodeAboveRating, SeverityError, 6.5, false,
			func(in *CheckInput, m *Measurement, v float64) {
				pinOf(in, 1).MaxV, pinOf(in, 1).AboveClamp, m.Level = 6.5, 3, v
			}},
		{"a compliance of current", CodeCurrentRating, SeverityError, 20e-3, false,
			func(_ *CheckInput, m *Measurement, v float64) { m.Compliance = v }},
		{"a compliance of voltage", CodeComplianceV, SeverityError, 7, false,
			func(in *CheckInput, _ *Measurement, v float64) { in.Procedure.Measurements[1].Compliance = v }},
		{"above the clamp supply", CodeAboveClamp, SeverityError, 5.5, false,
			func(_ *CheckInput, m *Measurement, v float64) { m.Level = v }},
		{"above a supply that is open", CodeUnpowered, SeverityWarning, 0.5, false,
			func(_ *CheckInput, m *Measurement, v float64) {
				m.Level, m.Hold = v, []Hold{{Pin: 6, Use: UseOpen}}
			}},
		{"a supply above its pins", CodeSupplyHigh, SeverityError, 5, true,
			func(in *CheckInput, _ *Measurement, v float64) { pinOf(in, 2).MaxV = v }},
		{"a sound input at the return", CodeReturnCurrent, SeverityWarning, 19e-3 + 1e-6, true,
			func(in *CheckInput, _ *Measurement, v float64) {
				onlyFirst(in)
				in.Procedure.Measurements[0].Pins, pinOf(in, 5).MaxI = []int{1}, v
			}},
		{"a strap that takes power", CodeStrapPower, SeverityWarning, 100, true, // 5² V² over a quarter of a watt
			func(in *CheckInput, _ *Measurement, v float64) {
				onlyFirst(in)
				bigSupply(in)
				strapped(in, 6, 0, v)
			}},
		{"a strap into a pin", CodeStrapCurrent, SeverityError, 5e3, true, // 5 V at 1 mA
			func(in *CheckInput, _ *Measurement, v float64) {
				onlyFirst(in)
				pinOf(in, 4).MaxI = 1e-3
				strapped(in, 4, 0, v)
			}},
		{"a path that carries", CodePathCurrent, SeverityError, 19e-3 + 2e-6, true, // supply and both inputs, at the return
			func(in *CheckInput, m *Measurement, v float64) {
				onlyFirst(in)
				m.Rest = UseOpen
				m.Pins = []int{1}
				in.Procedure.Measurements[0].Hold = []Hold{{5, UseVoltage, 0, 1e-6, false}}
				fuse(in, v)
			}},
		{"a settle of seven time constants", CodeSettle, SeverityWarning, nearly * (7*slow + capacitance*5/1e-6), true,
			func(in *CheckInput, m *Measurement, v float64) { onlyFirst(in); m.Settle.Time = v }},
		{"a condition above the rating", CodeNotValid, SeverityError, 7, false,
			func(in *CheckInput, m *Measurement, v float64) {
				in.Procedure.Conditions = []Condition{{Supplies: []SupplyLevel{{6, v}}}}
			}},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, off := range []float64{-1e-6, 1e-6} {
				in, m := checked()
				c.set(in, m, c.bound*(1+off))
				want := off > 0 != c.least
				if got := finds(in, c.code, c.severity); got != want {
					t.Errorf("at %.9g, bound %.9g: %s is found %v, want %v: %s", c.bound*(1+off), c.bound, c.code, got, want, list(PrePower(*in)))
				}
			}
		})
	}
}

// The power that all channels together can bring in is the sum of level times
// limit of each: at half a watt nothing is said.
func TestPartPowerIsASum(t *testing.T) {
	for _, c := range []struct {
		limit float64 // of the 5 V supply, A
		found bool
	}{{(0.5 - 5*1e-6) / 5 * (1 - 1e-6), false}, {(0.5 - 5*1e-6) / 5 * (1 + 1e-6), true}} {
		in, m := checked()
		bigSupply(in)
		wider(in)
		onlyFirst(in)
		m.Pins, in.Device.Power[0].Limit = []int{1}, c.limit
		if got := finds(in, CodePartPower, SeverityWarning); got != c.found {
			t.Errorf("a limit of %g A: found %v", c.limit, got)
		}
	}
}

// A pin clamped to a supply may not come up before it; the other way round and
// within the bound nothing is said.
func TestPowerOrderBound(t *testing.T) {
	for _, c := range []struct {
		level float64 // of the supply that comes up first, V
		found bool
	}{{0.3, false}, {0.3001, true}} {
		in, m := checked()
		secondSupply(in)
		slices.Reverse(in.Device.Power)
		in.Device.Power[0].Level = c.level
		m.Level = 0.1
		if got := finds(in, CodePowerOrder, SeverityError); got != c.found {
			t.Errorf("pin 6 at %g V before pin 2: found %v: %s", c.level, got, list(PrePower(*in)))
		}
	}
}

// The time that a drive needs: time constants of its loop in the range in use and
// of the path, and the charging of the capacitance by the current that it has.
// What is left after seven of them is exp(-7) = 0.0912 %.
func TestSettleNeedInAClosedForm(t *testing.T) {
	d, b := networkDevice(), checkBench()
	rc := (0.5 + 4) * b.Capacitance
	for _, c := range []struct {
		name              string
		m                 Measurement
		need, tau, range_ float64
	}{
		{"a voltage at 10 mA", sweepMeasurement(UseVoltage, Sweep{Spacing: Linear, From: 0, To: 5, Points: 3}, 10e-3),
			7*(20e-6+rc) + b.Capacitance*5/10e-3, 20e-6 + rc, 10e-3},
		{"a voltage at 1 µA", sweepMeasurement(UseVoltage, Sweep{Spacing: Linear, From: 0, To: -5, Points: 3}, 1e-6),
			7*(2e-3+rc) + b.Capacitance*5/1e-6, 2e-3 + rc, 1e-6},
		{"a current from 0.5 µA up", sweepMeasurement(UseCurrent, Sweep{Spacing: Log, From: 0.5e-6, To: 1e-3, Points: 3}, 4),
			7*(2e-3+rc) + b.Capacitance*4/0.5e-6, 2e-3 + rc, 1e-6},
		{"no current charges nothing", sweepMeasurement(UseCurrent, Sweep{Spacing: List, List: []float64{0}}, 4),
			7 * (2e-3 + rc), 2e-3 + rc, 1e-6},
	} {
		p := planOf(t, d, b, c.m)
		need, tau, fs := p.Steps[0].Segments[0].settleNeed(&c.m, 0)
		if math.Abs(need-c.need) > 1e-9*c.need || math.Abs(tau-c.tau) > 1e-9*c.tau || fs != c.range_ {
			t.Errorf("%s: %g s of %g s on %g A; by hand %g s of %g s on %g A", c.name, need, tau, fs, c.need, c.tau, c.range_)
		}
	}
}

// Waiting until stable is never too short, whatever the time before it.
func TestUntilStableIsLongEnough(t *testing.T) {
	in, m := checked()
	m.Settle = Settle{Time: 1e-6, UntilStable: true, Tolerance: 1e-3, Within: 1}
	if finds(in, CodeSettle, SeverityWarning) {
		t.Errorf("%s", list(PrePower(*in)))
	}
	m.Settle.UntilStable, m.Settle.Tolerance, m.Settle.Within = false, 0, 0
	if !finds(in, CodeSettle, SeverityWarning) {
		t.Error("a microsecond on a range of two milliseconds is not found")
	}
}

// A warning is acknowledged by its code and its measurement alone; an error and a
// note never count among those to acknowledge.
func TestAcknowledgedByName(t *testing.T) {
	in, m := checked()
	m.Settle.Time = 1e-3
	in.Procedure.Measurements[1].Settle.Time = 1e-3
	pinOf(in, 3).MaxI = 0 // the ground has no rating
	r := PrePower(*in)
	var names []string
	for _, f := range r.Warnings() {
		names = append(names, f.Name())
	}
	for _, want := range []string{"settle:m1", "settle:out"} {
		if !slices.Contains(names, want) {
			t.Fatalf("no %s in %v", want, names)
		}
	}
	if left := r.Unacknowledged(nil); len(left) != len(names) {
		t.Errorf("%d of %d to acknowledge", len(left), len(names))
	}
	if left := r.Unacknowledged(names); len(left) != 0 {
		t.Errorf("all acknowledged, and %v is left", left)
	}
	left := r.Unacknowledged([]string{"settle:m1", "settle", "settle:OUT"})
	if slices.ContainsFunc(left, func(f Finding) bool { return f.Name() == "settle:m1" }) ||
		!slices.ContainsFunc(left, func(f Finding) bool { return f.Name() == "settle:out" }) {
		t.Errorf("settle:m1 acknowledged: %v is left", left)
	}
	if (&Finding{Code: CodePinMap}).Name() != CodePinMap {
		t.Error("a finding of no measurement is not named by its code alone")
	}
	if n := len(r.Errors()) + len(r.Warnings()) + len(r.Notes()); n != len(r.Findings) {
		t.Errorf("%d of %d findings have a severity", n, len(r.Findings))
	}
}

// Findings come errors first and then by measurement; each names its pins in
// ascending order, once, and its fields likewise.
func TestOrderOfFindings(t *testing.T) {
	in, m := checked()
	m.Pins = []int{5, 1}
	m.Level = 7.5
	in.Procedure.Measurements[1].Settle.Time = 1e-3
	in.Procedure.Measurements[2].Settle.Time = 1e-3
	in.Procedure.Measurements[1].Compliance = 7.1
	r := PrePower(*in)
	rank := map[Severity]int{SeverityError: 0, SeverityWarning: 1, SeverityNote: 2}
	if len(r.Errors()) < 2 || len(r.Warnings()) < 1 {
		t.Fatalf("too little to order: %s", list(r))
	}
	for i, f := range r.Findings {
		if i > 0 {
			g := r.Findings[i-1]
			if rank[g.Severity] > rank[f.Severity] || g.Severity == f.Severity && g.Measurement > f.Measurement {
				t.Errorf("%s before %s", g.Name(), f.Name())
			}
		}
		if !slices.IsSorted(f.Pins) || len(slices.Compact(slices.Clone(f.Pins))) != len(f.Pins) || !slices.IsSorted(f.Fields) {
			t.Errorf("%s: pins %v, fields %v", f.Name(), f.Pins, f.Fields)
		}
	}
	i := slices.IndexFunc(r.Findings, func(f Finding) bool { return f.Code == CodeAboveRating })
	if i < 0 || !slices.Equal(r.Findings[i].Pins, []int{1, 5}) || !strings.HasPrefix(r.Findings[i].Message, "pins 1 1A and 5 2A: ") {
		t.Errorf("one rule of two pins is one finding: %s", list(r))
	}
}

// Without a pin map the ratings are held all the same.
func TestRatingsWithoutAPinMap(t *testing.T) {
	in, m := checked()
	in.PinMap, m.Level = nil, 7.5
	r := PrePower(*in)
	for _, code := range []string{CodePinMap, CodeAboveRating, CodeAboveClamp} {
		if !slices.ContainsFunc(r.Errors(), func(f Finding) bool { return f.Code == code }) {
			t.Errorf("no %s in %s", code, list(r))
		}
	}
	if r.Total != 0 {
		t.Errorf("%g s without a plan", r.Total)
	}
}

// What is needed for four to one does it, and the next smaller does not: of the
// aperture, of the readings, and of neither.
func TestReachOfFourToOne(t *testing.T) {
	for _, c := range []struct {
		noise float64 // of the range of 1 µA, A at one power-line cycle
		limit float64 // A
		says  string
	}{
		{100e-9, 400e-9, "an aperture of 10 power-line cycles reaches it"},
		{5e-12, 1e-9, "no range, aperture or number of readings"},
	} {
		in, m := checked()
		onlyFirst(in)
		for i := range in.Bench.Channels {
			in.Bench.Channels[i].SenseI[0].Noise = c.noise
		}
		m.Limits = map[string]Limit{"high": limits(-c.limit, c.limit)}
		r := PrePower(*in)
		i := slices.IndexFunc(r.Findings, func(f Finding) bool { return f.Code == CodePrecision })
		if i < 0 || !strings.Contains(r.Findings[i].Message, c.says) {
			t.Errorf("noise of %g A: want %q in %s", c.noise, c.says, list(r))
			continue
		}
		m.Aperture.Cycles = 10
		if got := !finds(in, CodePrecision, SeverityWarning) && !finds(in, CodePrecision, SeverityError); got != strings.HasPrefix(c.says, "an aperture") {
			t.Errorf("noise of %g A: ten cycles reach it: %v", c.noise, got)
		}
	}
}

// A wait that is too short is what the remedy names, where a longer one does it.
func TestReachByALongerSettle(t *testing.T) {
	in, m := checked()
	m.Limits = map[string]Limit{"high": limits(-40e-9, 40e-9)}
	if finds(in, CodePrecision, SeverityWarning) || finds(in, CodePrecision, SeverityError) {
		t.Fatalf("with time to settle: %s", list(PrePower(*in)))
	}
	m.Settle.Time = 1e-3
	r := PrePower(*in)
	i := slices.IndexFunc(r.Findings, func(f Finding) bool { return f.Code == CodePrecision })
	if i < 0 || !strings.Contains(r.Findings[i].Message, "a settle of ") {
		t.Errorf("%s", list(r))
	}
}

// A channel without a range for a supply's limit is a finding of its measurement,
// not a failure of the whole check.
func TestNoRangeIsNoPath(t *testing.T) {
	in, _ := checked()
	for i := range in.Bench.Channels {
		ch := &in.Bench.Channels[i]
		ch.SenseI, ch.ForceI = ch.SenseI[:2], ch.ForceI[:2] // up to 100 µA, and the supply has 19 mA
	}
	r := PrePower(*in)
	n := 0
	for _, f := range r.Errors() {
		if f.Code == CodeNoPath {
			n++
		}
	}
	if n != 3 || len(r.Measurements) != 3 {
		t.Errorf("%d of 3 measurements without a range: %s", n, list(r))
	}
}

package procedure

import (
	"slices"
	"testing"

	"ohmkeep/server/bench"
)

// Without a pin map, or where pins find no channel, a new measurement waits as long
// as its kind's default, and reads over one cycle.
func TestDefaultTimesWithoutConnections(t *testing.T) {
	d, b := networkDevice(), checkBench()
	m := sweepMeasurement(UseCurrent, Sweep{Spacing: Log, From: 0.5e-6, To: 1e-3, Points: 3}, 4)
	m.Settle, m.Aperture = Settle{Time: 7}, Aperture{Seconds: 1e-3}
	k, _ := KindByKey(m.Kind)
	plain := k.Default(d).Settle
	for name, pm := range map[string]*bench.PinMap{"no pin map": nil, "no contacts": {Device: d.Key, Bench: b.Key, Contacts: map[int]int{}}} {
		if s, a := DefaultTimes(&m, d, pm, b); s != plain || a != (Aperture{Cycles: 1}) {
			t.Errorf("%s: %+v, %+v", name, s, a)
		}
	}
	m.Kind = "nothing"
	if s, a := DefaultTimes(&m, d, nil, b); s != (Settle{}) || a.Cycles != 1 {
		t.Errorf("a kind that is not there: %+v, %+v", s, a)
	}
}

// A pin without a load goes as it will: the bench's time is followed by a wait until
// two readings agree. One that is charged by a current is waited for by the clock.
func TestUnloadedPinsWaitUntilStable(t *testing.T) {
	d, b := networkDevice(), checkBench()
	for _, c := range []struct {
		m    Measurement
		wait bool
	}{
		{Measurement{Kind: "watch", Use: UseCurrent, Level: 0, Compliance: 2}, true},
		{Measurement{Kind: "watch", Use: UseCurrent, Level: 1e-3, Compliance: 2}, false},
		{Measurement{Kind: "watch", Use: UseVoltage, Level: 1, Compliance: 1e-3}, false},
	} {
		c.m.ID, c.m.Name, c.m.Pins, c.m.Duration, c.m.Interval = "m", "M", []int{4}, 1, 0.1
		c.m.Aperture = Aperture{Cycles: 1}
		step := planOf(t, d, b, c.m).Steps[0]
		got := SettleFor(step)
		if got.UntilStable != c.wait || got.UntilStable && (got.Tolerance != agreeTo || got.Within != agreeWithin) {
			t.Errorf("%s %g: %+v", c.m.Use, c.m.Level, got)
		}
		c.m.Settle = got
		if ps := c.m.Validate(d); len(ps) > 0 {
			t.Errorf("what the bench needs is not valid: %v", ps)
		}
		own := Settle{Time: 1, UntilStable: true, Tolerance: 0.5, Within: 3}
		step.Measurement.Settle = own
		if got := SettleFor(step); got != own {
			t.Errorf("what somebody asked for became %+v", got)
		}
	}
}

func TestTimesLeftOut(t *testing.T) {
	got := TimesLeftOut([]byte(`{"measurements":[{"settle":{"time":0},"aperture":{}},{"settle":null},{"aperture":{"cycles":1}},{}]}`))
	want := []LeftOut{{}, {Aperture: true}, {Settle: true}, {true, true}}
	if !slices.Equal(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
	for _, text := range []string{"", "[]", `{"measurements":1}`, `{"measurements":[1]}`, "{"} {
		if got := TimesLeftOut([]byte(text)); got != nil {
			t.Errorf("%q: %+v", text, got)
		}
	}
	if got := TimesLeftOutOfOne([]byte(`{"measurement":{"settle":{}}}`)); got != (LeftOut{Aperture: true}) {
		t.Errorf("%+v", got)
	}
	if got := TimesLeftOutOfOne([]byte(`[`)); got.Any() {
		t.Errorf("of no document: %+v", got)
	}
}

// Reading which times are left out never fails, and says nothing of what is no list
// of measurements.
func FuzzTimesLeftOut(f *testing.F) {
	f.Add([]byte(`{"measurements":[{"settle":{"time":0}},{}]}`))
	f.Add([]byte(`{"measurement":{"aperture":null}}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		TimesLeftOutOfOne(text)
		if p, err := ParseProcedure(text); err == nil {
			if got := TimesLeftOut(text); len(got) != len(p.Measurements) {
				t.Fatalf("%d of %d measurements", len(got), len(p.Measurements))
			}
		}
	})
}

// What a measurement states stays: only what is left out is taken from the bench.
func TestTakeTimes(t *testing.T) {
	d, b := networkDevice(), checkBench()
	m := Measurement{ID: "m", Name: "M", Kind: "watch", Pins: []int{4}, Use: UseCurrent, Compliance: 2, Duration: 1, Interval: 0.1,
		Settle: Settle{Time: 3, UntilStable: true, Tolerance: 0.5, Within: 9}, Aperture: Aperture{Seconds: 0.5}}
	for _, left := range []LeftOut{{}, {Settle: true}, {Aperture: true}, {true, true}} {
		got, settle, aperture := m.Clone(), m.Settle, m.Aperture
		got.TakeTimes(left, d, nil, b)
		if left.Settle {
			settle.Time = 2e-3 // the kind's; until stable stays
		}
		if left.Aperture {
			aperture = Aperture{Cycles: 1}
		}
		if got.Settle != settle || got.Aperture != aperture {
			t.Errorf("%+v: %+v, %+v", left, got.Settle, got.Aperture)
		}
	}
}

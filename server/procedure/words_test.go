package procedure

import (
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/dut"
)

// The words of each kind's beginning.
func TestPhrasesOfEveryKind(t *testing.T) {
	table(t, soakKind)
	d := inverterDevice()
	const read = "; settle 2 ms; read over 1 power-line cycle"
	const up = "; supplies up in the device's power order"
	want := map[string]string{
		"contact":        "measure pins 1 1A, 2 1Y, 4 2Y, 5 2A; force 100 µA, compliance 2 V; all other pins on the return" + read,
		"shorts":         "measure pins 1 1A, 2 1Y, 4 2Y, 5 2A, 6 VCC; force 200 mV, compliance 1 mA; all others" + read,
		"leakage":        "measure pins 1 1A, 5 2A; compliance 10 µA" + up + "; settle 20 ms; read over 1 power-line cycle",
		"supply-current": "measure pin 6 VCC" + up + "; other inputs on the return; settle 20 ms; read over 1 power-line cycle",
		"output-level":   "measure pins 2 1Y, 4 2Y; force −4 mA, compliance 7 V" + up + read,
		"threshold":      "measure pin 1 1A; sweep voltage, 0 V to 5 V in 251 points, up and down, compliance 1 mA; watch the voltage at pin 2 1Y" + up + read,
		"resistance":     "measure pins 1 1A, 2 1Y, 4 2Y, 5 2A; force 1 mA, compliance 2 V; two-wire" + read,
		"voltage":        "measure pins 2 1Y, 4 2Y; compliance 7 V" + up + read,
		"sweep":          "measure pin 1 1A; sweep current, 1 µA to 1 mA in 61 logarithmic points, compliance 2 V" + read,
		"watch":          "measure pin 2 1Y; force 0 A, compliance 7 V" + up + "; for 10 s, a reading every 100 ms" + read,
		"soak":           "measure pins 1 1A, 5 2A; force 500 mV, compliance 10 mA; the voltage stands for 500 ms first; polarity positive" + read,
	}
	for _, k := range Kinds() {
		m := k.Default(d)
		if got := strings.Join(m.Phrases(d), "; "); got != want[k.Key()] {
			t.Errorf("%s\n got %s\nwant %s", k.Key(), got, want[k.Key()])
		}
	}
	if len(want) != len(Kinds()) {
		t.Errorf("%d kinds, %d said here", len(Kinds()), len(want))
	}
}

func TestPhrases(t *testing.T) {
	table(t, everyType)
	d := inverterDevice()
	long := &Sweep{Spacing: List, List: []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10}}
	for _, c := range []struct {
		says   string
		change func(m *Measurement)
	}{
		{"against pin 3 GND", func(m *Measurement) { m.Kind, m.Against = "sweep", 3 }},
		{"measure pins 1 1A, pin 99", func(m *Measurement) { m.Pins = []int{1, 99} }},
		{"pin 2 1Y at 1 V, compliance 1 mA, remote sense; pin 4 2Y on the return; pin 5 2A open", func(m *Measurement) {
			m.Kind = "voltage"
			m.Hold = []Hold{{2, UseVoltage, 1, 1e-3, true}, {Pin: 4, Use: UseReturn}, {Pin: 5, Use: UseOpen}}
		}},
		{"pin 2 1Y at −1 mA, compliance 2 V", func(m *Measurement) { m.Kind, m.Hold = "voltage", []Hold{{2, UseCurrent, -1e-3, 2, false}} }},
		{"settle 1 s, then until stable to 0.1 %, at most 2 s more; read over 5 ms, 3 readings a point", func(m *Measurement) {
			m.Settle, m.Aperture, m.Repeats = Settle{1, true, 1e-3, 2}, Aperture{Seconds: 5e-3}, 3
		}},
		{"read over 10 power-line cycles", func(m *Measurement) { m.Aperture = Aperture{Cycles: 10} }},
		{"sweep voltage, 1 V, 2 V, 3 V, 4 V, 5 V, 6 V, 7 V, 8 V, … (10 levels)", func(m *Measurement) { m.Kind, m.Use, m.Sweep = "sweep", UseVoltage, long }},
		{"a curve for each current at pin 5 2A: 1 A to 0 A in 2 points, compliance 3 V", func(m *Measurement) {
			m.Kind, m.Step = "sweep", &Step{5, UseCurrent, 3, Sweep{Spacing: Linear, From: 1, Points: 2}}
		}},
		{"other inputs open", func(m *Measurement) { m.Kind, m.Rest = "voltage", UseOpen }},
		{"for 3 s", func(m *Measurement) { m.Kind, m.Duration = "watch", 3 }},
		{"force 0 V, compliance 1 mA", func(m *Measurement) { m.Kind, m.Use, m.Level, m.Compliance = "watch", UseVoltage, 0, 1e-3 }},
		{"ramped over 2 s; 3 turns; guarded by pin 2 1Y; warmed up first", func(m *Measurement) {
			m.Kind, m.Own = everyType.key, map[string]any{"ramp": 2.0, "turns": 3.0, "guard": 2.0, "warm": true}
		}},
		// Of a kind that this version does not know, what all kinds share is said.
		{"sweep current, 1 A, 2 A; watch the voltage at pin 2 1Y", func(m *Measurement) {
			m.Kind, m.Use, m.Observe, m.Sweep = "odd", UseCurrent, 2, &Sweep{Spacing: List, List: []float64{1, 2}}
		}},
	} {
		m := soakKind.Default(d)
		m.Kind, m.Own, m.Level, m.Compliance = contactKind.key, nil, 0, 0
		c.change(&m)
		if got := strings.Join(m.Phrases(d), "; "); !strings.Contains(got, c.says) {
			t.Errorf("%q\nsays nothing of %q", got, c.says)
		}
	}
}

// Every field of every kind is said: whatever differs in one that a person may
// set is seen in the words. Limits have words of their own.
func TestEveryFieldIsSaid(t *testing.T) {
	d := inverterDevice()
	other := map[FieldType]func(f Field, m *Measurement){
		FieldPins: func(f Field, m *Measurement) { Set(f, m, []int{4}) },
		FieldPin:  func(f Field, m *Measurement) { Set(f, m, 4) },
		FieldQuantity: func(f Field, m *Measurement) {
			Set(f, m, Get[float64](f, m)*2+1e-3)
		},
		FieldCount:    func(f Field, m *Measurement) { Set(f, m, 7) },
		FieldFlag:     func(f Field, m *Measurement) { Set(f, m, !Get[bool](f, m)) },
		FieldSweep:    func(f Field, m *Measurement) { Set(f, m, &Sweep{Spacing: Linear, From: 1, To: 2, Points: 5}) },
		FieldStep:     func(f Field, m *Measurement) { Set(f, m, &Step{Pin: 4, Use: UseVoltage, Compliance: 1}) },
		FieldHold:     func(f Field, m *Measurement) { Set(f, m, []Hold{{Pin: 4, Use: UseReturn}}) },
		FieldSettle:   func(f Field, m *Measurement) { Set(f, m, Settle{Time: 5}) },
		FieldAperture: func(f Field, m *Measurement) { Set(f, m, Aperture{Seconds: 5}) },
		FieldChoice: func(f Field, m *Measurement) {
			i := slices.Index(f.Choices, Get[string](f, m))
			Set(f, m, f.Choices[(i+1)%len(f.Choices)])
		},
	}
	table(t, soakKind)
	for _, k := range Kinds() {
		for _, f := range k.Fields() {
			if f.Type == FieldLimits {
				continue
			}
			m := k.Default(d)
			before := m.Phrases(d)
			other[f.Type](f, &m)
			if reflect.DeepEqual(m.Phrases(d), before) {
				t.Errorf("%s: another %s changes no word: %q", k.Key(), f.Name, before)
			}
		}
	}
}

// No measurement, however odd, is without words, and none makes saying it fail.
func TestAnythingIsSaid(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDevice(t)
		k := rapid.SampledFrom(Kinds()).Draw(t, "kind")
		m := anyMeasurement(t, k, d)
		if rapid.Bool().Draw(t, "of no kind") {
			m.Kind = "odd"
		}
		said := m.Phrases(d)
		if len(said) == 0 || slices.Contains(said, "") || strings.Contains(strings.Join(said, ""), "%!") {
			t.Fatalf("%q of %+v", said, m)
		}
	})
}

func TestNumberRuns(t *testing.T) {
	for want, pins := range map[string][]int{"1–3, 5, 8–9": {5, 1, 2, 3, 8, 9}, "7": {7}, "": nil, "1–2": {2, 1}} {
		if got := numberRuns(pins); got != want {
			t.Errorf("%v: %q, want %q", pins, got, want)
		}
	}
	if got := PinWords(inverterDevice(), []int{1, 2, 3, 4, 5, 6, 7, 9}); got != "8 pins: 1–7, 9" {
		t.Errorf("%q", got)
	}
	if got := PinWords(inverterDevice(), nil); got != "no pin" {
		t.Errorf("%q", got)
	}
	wide := &dut.Device{Pins: make([]dut.Pin, 7)}
	if got := PinWords(wide, []int{1, 2, 3, 4, 5, 6, 7}); got != "all pins" {
		t.Errorf("%q", got)
	}
}

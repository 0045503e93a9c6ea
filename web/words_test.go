package web

import (
	"strings"
	"testing"
	"time"

	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

func TestConditionsInWords(t *testing.T) {
	d := hexInverter()
	m := sampleProcedure().Measurements
	for i, want := range map[int]string{
		0: "measure 12 pins: 1–6, 8–13; force −100 µA, compliance 2 V; settle 2 ms; read over 1 power-line cycle",
		3: "measure pin 1 1A; sweep voltage, 0 V to 5 V in 101 points, up and down, compliance 1 mA; watch the voltage at pin 2 1Y; supplies up in the device's power order; settle 2 ms; read over 1 power-line cycle",
		5: "measure pin 2 1Y; pin 1 1A at 2.5 V, compliance 1 mA, remote sense; for 30 s, a reading every 100 ms; settle 2 ms; read over 1 power-line cycle",
	} {
		if got := strings.Join(m[i].Phrases(&d), "; "); got != want {
			t.Errorf("%s:\n got %q\nwant %q", m[i].Name, got, want)
		}
	}
	list := procedure.Measurement{Pins: []int{99}, Use: procedure.UseCurrent, Sweep: &procedure.Sweep{Spacing: procedure.List, List: []float64{1e-6, 2e-6}},
		Step: &procedure.Step{Pin: 1, Use: procedure.UseVoltage, Compliance: 1e-3, Sweep: procedure.Sweep{Spacing: procedure.Log, From: 0.1, To: 1, Points: 3}}}
	if got := strings.Join(list.Phrases(&d), "; "); !strings.Contains(got, "sweep current, 1 µA, 2 µA; a curve for each voltage at pin 1 1A: 100 mV to 1 V in 3 logarithmic points, compliance 1 mA") {
		t.Errorf("list sweep: %q", got)
	}
}

func TestLimitWords(t *testing.T) {
	for _, c := range []struct {
		low, high *float64
		want      string
	}{{fp(0.2), fp(0.9), "200 mV to 900 mV"}, {nil, fp(1), "at most 1 V"}, {fp(-1), nil, "at least −1 V"}, {nil, nil, ""}} {
		if got := limitWords(c.low, c.high, quantity.Volt); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

func TestSpan(t *testing.T) {
	for d, want := range map[time.Duration]string{800 * time.Millisecond: "0.8 s", 42 * time.Second: "42 s", 185 * time.Second: "3 min 5 s", 130 * time.Minute: "2 h 10 min", -1: "—"} {
		if got := span(d); got != want {
			t.Errorf("span(%v) = %q, want %q", d, got, want)
		}
	}
}

func TestUncertaintyHasTheValuesPrefix(t *testing.T) {
	r := procedure.Result{Value: 61e-9, U: 120e-9, Unit: quantity.Ampere}
	if v, u := valueText(r), uText(r); v != "0.06 µA" || u != "± 0.12 µA" {
		t.Errorf("%q %q", v, u)
	}
	if u := uText(procedure.Result{Value: 1, Unit: quantity.Volt}); u != "—" {
		t.Errorf("unknown uncertainty is %q", u)
	}
}

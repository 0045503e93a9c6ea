package procedure

import (
	"math"
	"math/rand/v2"
	"testing"

	"ohmkeep/server/bench"
)

// channelError is one channel's fixed gain and offset error, drawn within its
// maximum permissible error, with noise on top.
type channelError struct{ gv, ov, gi, oi, noise float64 }

const (
	mpeGain    = 1e-3
	mpeOffsetV = 0.5e-3
	mpeOffsetI = 0.2e-6
	noiseV     = 0.1e-3
)

func drawError(r *rand.Rand) channelError {
	u := func(a float64) float64 { return a * (2*r.Float64() - 1) }
	return channelError{u(mpeGain), u(mpeOffsetV), u(mpeGain), u(mpeOffsetI), noiseV}
}

// readWith feeds the truth through the channel's errors; the stated standard
// uncertainties are those of the maximum permissible error, rectangular.
func readWith(t *testing.T, m Measurement, d Deriver, obs []Observation, e channelError, r *rand.Rand) []Result {
	t.Helper()
	errs := bench.NewErrors(&bench.Definition{})
	ch := &bench.Channel{Name: "1A"}
	sense := &Sense{V: errs.SenseV(ch, bench.Range{FullScale: 10, Gain: mpeGain, Offset: mpeOffsetV, Noise: e.noise}),
		I: errs.SenseI(ch, bench.Range{FullScale: 1, Gain: mpeGain, Offset: mpeOffsetI}), Cycles: 1}
	for _, o := range obs {
		o.Sense = sense
		o.V += e.gv*o.V + e.ov + e.noise*r.NormFloat64()
		o.I += e.gi*o.I + e.oi
		d.Add(o)
	}
	return d.Results()
}

// The interval that is stated holds the hidden truth as often as it promises,
// 95 %, whatever the errors of the channel within its accuracy.
func TestIntervalsHoldTheTruth(t *testing.T) {
	const trials = 1000
	net, inv := networkDevice(), inverterDevice()
	ohms := func(method Method) Measurement {
		m := base("resistance")
		m.Pins, m.Against, m.Method, m.Use, m.Level, m.Compliance = []int{1}, 4, method, UseCurrent, 1e-3, 5
		m.Repeats = 5
		return m
	}
	leak := leakageKind.Default(inv)
	leak.Pins, leak.Compliance = []int{1}, 1e-3
	out := outputLevelKind.Default(inv)
	out.Pins = []int{2}
	driver := func(h []Hold, pin int) (float64, float64, bench.Flags) {
		i := holdAt(h, pin).Level
		return 5 + 60*i, i, 0
	}
	line := sweepMeasurement(UseVoltage, Sweep{Spacing: Linear, From: -1, To: 1, Points: 41}, 10e-3)
	quiet := voltageKind.Default(inv)
	quiet.Pins, quiet.Repeats = []int{2}, 10
	for _, c := range []struct {
		name, key string
		m         Measurement
		part      truth
		want      float64
	}{
		{"two-wire", "resistance", ohms(TwoWire), resistor(1e3), 1e3},
		{"four-wire", "resistance", ohms(FourWire), resistor(470), 470},
		{"reversal", "resistance", ohms(CurrentReversal), resistor(100), 100},
		{"leakage", "high", leak, resistor(1e6), 5e-6},
		{"output resistance", "output-resistance", out, driver, 60},
		{"loaded level", "loaded", out, driver, 5 - 0.24},
		{"line", "resistance", line, resistor(1e3), 1e3},
		{"line through zero", "resistance-origin", line, resistor(1e3), 1e3},
		{"slope in the middle", "resistance-middle", line, resistor(1e3), 1e3},
		{"voltage", "voltage", quiet, resistor(0), 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := net
			if c.m.Powered {
				d = inv
			}
			r := rand.New(rand.NewPCG(1, 2))
			obs := observations(t, c.m, d, accuracy{}, c.part)
			held, wide := 0, 0.0
			for range trials {
				rs := readWith(t, c.m, mustKind(t, c.m.Kind).Derive(&c.m, d, Rule{Guard: 1}), obs, drawError(r), r)
				got := find(t, rs, c.key, c.m.Pins[0], "")
				if math.Abs(got.Value-c.want) <= got.U {
					held++
				}
				wide = max(wide, got.U)
			}
			// 95 %, less three standard deviations of so many trials.
			if held < trials*95/100-21 {
				t.Errorf("the truth lies within U in %d of %d trials", held, trials)
			}
			t.Logf("%d of %d, U up to %.3g", held, trials, wide)
		})
	}
}

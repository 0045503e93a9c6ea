package procedure

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// anyDevice draws a valid device of 4 to 8 pins.
func anyDevice(t *rapid.T) *dut.Device {
	n := rapid.IntRange(4, 8).Draw(t, "pins")
	d := &dut.Device{Key: "any", Name: "Any", Package: dut.Package{Family: dut.SingleRow, Pins: n}}
	supply := max(rapid.IntRange(-1, n).Draw(t, "supply"), 0) // 0: none
	logic := rapid.IntRange(0, 3).Draw(t, "logic") > 0        // with a ground, an input and an output
	if logic && supply > 0 {
		supply = n
	}
	functions := []dut.Function{dut.Ground, dut.Input, dut.Output, dut.Bidirectional, dut.Analog, dut.NoConnect, dut.Input, dut.Output}
	for i := 1; i <= n; i++ {
		p := dut.Pin{Number: i, Name: "P", Function: rapid.SampledFrom(functions).Draw(t, "function"),
			MinV: rapid.SampledFrom([]float64{-0.5, -0.5, -5, -20, 0}).Draw(t, "minV"),
			MaxV: rapid.SampledFrom([]float64{7, 7, 20, 3.6}).Draw(t, "maxV"),
			MaxI: rapid.SampledFrom([]float64{20e-3, 20e-3, 50e-3, 20e-3, 1, 1e-3, 0}).Draw(t, "maxI")}
		if logic && i <= 3 {
			p.Function, p.MinV, p.MaxI = []dut.Function{dut.Ground, dut.Input, dut.Output}[i-1], -0.5, 20e-3
		}
		if i == supply {
			p.Function = dut.Supply
			d.Power = []dut.PowerStep{{Pin: i, Level: min(p.MaxV, 3.3), Limit: 10e-3}}
		} else if supply != 0 && rapid.Bool().Draw(t, "clamped") {
			p.Clamp, p.AboveClamp = supply, 0.5
		}
		d.Pins = append(d.Pins, p)
	}
	return d
}

func level(t *rapid.T, label string) float64 {
	return rapid.SampledFrom([]float64{0, 1e-6, -1e-4, 1e-3, 0.1, -0.4, 1, 3, 5, -8, 30, math.NaN(), math.Inf(1)}).Draw(t, label)
}

func anySweep(t *rapid.T) *Sweep {
	return &Sweep{
		Spacing: rapid.SampledFrom([]Spacing{Linear, Linear, Log, List, "odd"}).Draw(t, "spacing"),
		From:    level(t, "from"), To: level(t, "to"),
		Points: rapid.IntRange(-1, 40).Draw(t, "points"), Back: rapid.Bool().Draw(t, "back"),
		List: rapid.SliceOfN(rapid.Float64Range(-1, 4), 0, 6).Draw(t, "list"),
	}
}

// anyMeasurement draws a measurement near the kind's default, with odd values in
// some of its fields.
func anyMeasurement(t *rapid.T, k Kind, d *dut.Device) Measurement {
	m := k.Default(d)
	maybe := func(label string) bool { return rapid.IntRange(0, 5).Draw(t, label) == 0 }
	pin := func(label string) int { return rapid.IntRange(0, len(d.Pins)+1).Draw(t, label) }
	if maybe("pins?") {
		m.Pins = rapid.SliceOfN(rapid.IntRange(0, len(d.Pins)+1), 0, 4).Draw(t, "measured")
	}
	if maybe("against?") {
		m.Against = pin("against")
	}
	if maybe("observe?") {
		m.Observe = pin("observe")
	}
	if maybe("level?") {
		m.Level = level(t, "level")
	}
	if maybe("compliance?") {
		m.Compliance = math.Abs(level(t, "compliance"))
	}
	if maybe("use?") {
		m.Use = rapid.SampledFrom([]Use{UseVoltage, UseCurrent, UseOpen}).Draw(t, "use")
	}
	if maybe("method?") {
		m.Method = rapid.SampledFrom([]Method{TwoWire, FourWire, CurrentReversal, AllOthers, Neighbours, EveryPair}).Draw(t, "method")
	}
	if maybe("sweep?") {
		m.Sweep = anySweep(t)
	}
	if maybe("step?") {
		m.Step = &Step{Pin: pin("stepped"), Use: rapid.SampledFrom([]Use{UseVoltage, UseCurrent}).Draw(t, "step use"),
			Compliance: math.Abs(level(t, "step compliance")), Sweep: *anySweep(t)}
	}
	for i := rapid.IntRange(-2, 3).Draw(t, "holds"); i > 0; i-- {
		m.Hold = append(m.Hold, Hold{Pin: pin("held"), Use: rapid.SampledFrom([]Use{UseVoltage, UseCurrent, UseReturn, UseOpen}).Draw(t, "hold use"),
			Level: level(t, "hold level"), Compliance: math.Abs(level(t, "hold compliance"))})
	}
	if maybe("rest?") {
		m.Rest = rapid.SampledFrom([]Use{UseReturn, UseOpen}).Draw(t, "rest")
	}
	if maybe("powered?") {
		m.Powered = !m.Powered
	}
	m.Repeats = rapid.SampledFrom([]int{0, 0, 0, 1, 3, -1}).Draw(t, "repeats")
	if maybe("duration?") {
		m.Duration = math.Abs(level(t, "duration"))
	}
	// What a kind does not use it refuses; that has tests of its own.
	for name, clear := range map[string]func(){
		"against": func() { m.Against = 0 }, "observe": func() { m.Observe = 0 }, "use": func() { m.Use = "" },
		"level": func() { m.Level = 0 }, "sweep": func() { m.Sweep = nil }, "step": func() { m.Step = nil },
		"hold": func() { m.Hold = nil }, "powered": func() { m.Powered = false }, "rest": func() { m.Rest = "" },
		"method": func() { m.Method = "" }, "repeats": func() { m.Repeats = 0 }, "duration": func() { m.Duration = 0 },
	} {
		if !hasField(k, name) {
			clear()
		}
	}
	return m
}

func hasField(k Kind, name string) bool {
	for _, f := range k.Fields() {
		if f.Name == name {
			return true
		}
	}
	return false
}

// checkPoint is what must hold of every point before anything is energised.
func checkPoint(t *rapid.T, m *Measurement, d *dut.Device, p Point) {
	held := map[int]Hold{}
	for _, h := range p.Hold {
		if _, twice := held[h.Pin]; twice {
			t.Fatalf("pin %d is held twice: %+v", h.Pin, p.Hold)
		}
		held[h.Pin] = h
		pin, ok := d.Pin(h.Pin)
		if !ok {
			t.Fatalf("pin %d is not on the device", h.Pin)
		}
		checkHold(t, m, d, pin, h)
	}
	channels := 0
	for _, h := range p.Hold {
		if h.Use.TakesChannel() {
			channels++
		}
	}
	if most := fewestChannels(m, d, p); channels > most {
		t.Fatalf("%d channels where %d would do: %+v", channels, most, p.Hold)
	}
	for _, n := range d.PinsOf(dut.Ground) {
		if held[n].Use != UseReturn {
			t.Fatalf("ground %d is at %q", n, held[n].Use)
		}
	}
	if len(p.Read) == 0 || p.Count < 1 {
		t.Fatalf("nothing is read: %+v", p)
	}
	for _, n := range p.Read {
		if !held[n].Use.TakesChannel() {
			t.Fatalf("pin %d is read without a channel: %+v", n, p)
		}
	}
}

// fewestChannels is what no bench can do with less than: supplies, pins read,
// and what the measurement itself asks for.
func fewestChannels(m *Measurement, d *dut.Device, p Point) int {
	n := len(p.Read)
	if m.Powered {
		n += len(d.Power)
	}
	if m.Step != nil {
		n++
	}
	for _, h := range m.Hold {
		if h.Use.TakesChannel() {
			n++
		}
	}
	return n
}

func checkHold(t *rapid.T, m *Measurement, d *dut.Device, pin dut.Pin, h Hold) {
	switch h.Use {
	case UseVoltage:
		if !(h.Level >= pin.MinV && h.Level <= pin.MaxV && h.Compliance > 0) {
			t.Fatalf("outside the rating: %+v of %+v", h, pin)
		}
		if s, ok := powerStep(d, pin.Number); h.Compliance > pin.MaxI && !(ok && s.Limit == h.Compliance) {
			t.Fatalf("above the current rating: %+v of %+v", h, pin)
		}
	case UseCurrent:
		if !(math.Abs(h.Level) <= pin.MaxI && h.Compliance > 0 && h.Compliance <= max(pin.MaxV, -pin.MinV)) {
			t.Fatalf("outside the rating: %+v of %+v", h, pin)
		}
	case UseReturn:
		if h.Level != 0 || h.Compliance != 0 {
			t.Fatalf("a level at the return: %+v", h)
		}
	default:
		t.Fatalf("an open pin is listed: %+v", h)
	}
}

// tryMeasurement reports whether the drawn measurement was valid, having checked
// everything that a valid one promises.
func tryMeasurement(t *rapid.T, k Kind) bool {
	d := anyDevice(t)
	if err := d.Validate(); err != nil {
		t.Fatalf("the device is not valid: %v", err)
	}
	m := anyMeasurement(t, k, d)
	if len(k.Validate(&m, d)) > 0 {
		return false
	}
	groups := len(k.Shape(&m, d).Groups)
	der := k.Derive(&m, d, Rule{Guard: 1})
	early := map[ResultID]bool{}
	var counted tally
	var kept []Point
	for p := range k.Points(&m, d) {
		checkPoint(t, &m, d, p)
		if int(p.Group) >= groups {
			t.Fatalf("group %d of %d labels", p.Group, groups)
		}
		for j := range p.Count * len(p.Read) {
			n := p.Read[j%len(p.Read)]
			var beside bench.Flags
			if p.Auxiliary {
				beside = bench.Auxiliary
			}
			if j >= 50*len(p.Read) {
				break // a long watch
			}
			der.Add(Observation{Sense: accuracy{uv: 1e-3, ui: 1e-9}.sense(), Reading: bench.Reading{
				T: counted.points, V: rapid.Float64Range(-5, 5).Draw(t, "v"), I: rapid.Float64Range(-1e-3, 1e-3).Draw(t, "i"),
				Flags: beside | rapid.SampledFrom([]bench.Flags{0, 0, 0, bench.InCompliance, bench.NotSettled}).Draw(t, "flags"),
				Point: uint32(counted.points), Group: p.Group, Pin: uint8(n)}})
		}
		if counted.points%3 == 0 {
			for _, r := range der.Results() {
				early[r.ID()] = true
			}
		}
		counted.points++
		counted.reads += int64(p.Count)
		counted.readings += int64(p.Count * len(p.Read))
		kept = append(kept, p)
	}
	again := 0
	for p := range k.Points(&m, d) { // a point kept is not written again
		if len(p.Hold) != len(kept[again].Hold) || holdAt(p.Hold, p.Read[0]) != holdAt(kept[again].Hold, p.Read[0]) {
			t.Fatalf("point %d changed after it was given", again)
		}
		again++
	}
	if got := m.tally(d); got.points != counted.points || got.reads != counted.reads || got.readings != counted.readings {
		t.Fatalf("tally %+v, expansion %+v", got, counted)
	}
	seen := map[ResultID]bool{}
	for _, r := range der.Results() {
		if seen[r.ID()] || !finite(r.Value) || !saysHowWell(&r) {
			t.Fatalf("%+v", r)
		}
		seen[r.ID()] = true
		delete(early, r.ID())
	}
	if len(early) > 0 {
		t.Fatalf("results given early and taken back: %v", early)
	}
	return true
}

// saysHowWell reports whether a result has a U, or is an exact bound: that has none,
// and an open end.
func saysHowWell(r *Result) bool {
	if math.IsNaN(r.U) {
		return math.IsNaN(r.From) != math.IsNaN(r.To) && (r.From == r.Value || r.To == r.Value) && r.Note != ""
	}
	return finite(r.U) && r.U >= 0
}

func TestEveryValidMeasurementExpands(t *testing.T) {
	for _, k := range Kinds() {
		t.Run(k.Key(), func(t *testing.T) {
			tried, valid := 0, 0
			rapid.Check(t, func(t *rapid.T) {
				tried++
				if tryMeasurement(t, k) {
					valid++
				}
			})
			if tried >= 1000 && valid*50 < tried {
				t.Errorf("only %d of %d drawn measurements were valid: the property says little", valid, tried)
			}
			t.Logf("%d of %d valid", valid, tried)
		})
	}
}

package run

import (
	"fmt"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

func fakeChannel(id bench.ChannelID) bench.Channel {
	v := []bench.Range{{FullScale: 2, Step: 1e-4, Offset: 1e-3}, {FullScale: 20, Step: 1e-3, Offset: 1e-2}}
	i := []bench.Range{{FullScale: 1e-4, Step: 1e-9}, {FullScale: 1e-2, Step: 1e-7}, {FullScale: 0.1, Step: 1e-6}}
	return bench.Channel{ID: id, Name: fmt.Sprint(id), ForceV: v, ForceI: i, SenseV: v, SenseI: i, RemoteSense: true}
}

// Pins of the fake device.
const (
	pinGround = 1
	pinCore   = 2 // second supply to come up
	pinIO     = 3 // first supply to come up
	pinA      = 4
	pinB      = 5
	pinC      = 6
)

// fakeRecord is a run of a small part on a bench of five channels.
func fakeRecord() *procedure.Record {
	r := &procedure.Record{ID: "run", PinMap: bench.PinMap{Contacts: map[int]int{}}}
	r.Device = dut.Device{Key: "part", Package: dut.Package{Family: dut.DualRow, Pins: 6}, Pins: []dut.Pin{
		{Number: pinGround, Function: dut.Ground},
		{Number: pinCore, Function: dut.Supply}, {Number: pinIO, Function: dut.Supply},
		{Number: pinA, Function: dut.Input}, {Number: pinB, Function: dut.Input}, {Number: pinC, Function: dut.Output},
	}, Power: []dut.PowerStep{
		{Pin: pinIO, Level: 5, Limit: 0.05, Ramp: 10e-3, Delay: 2e-3},
		{Pin: pinCore, Level: 1.8, Limit: 0.05, Ramp: 5e-3, Delay: 1e-3},
	}}
	d := &r.Bench
	d.Contacts, d.LineHz, d.SwitchTime = 6, 50, 1e-3
	for c := range 5 {
		d.Channels = append(d.Channels, fakeChannel(bench.ChannelID(c+1)))
	}
	for k := 1; k <= 6; k++ {
		r.PinMap.Contacts[k] = k
		for c := 0; c <= 5; c++ {
			mux := fmt.Sprintf("M%d/%d", c, k%2)
			if c == 0 {
				mux = fmt.Sprintf("R%d", k)
			}
			d.Paths = append(d.Paths, bench.Path{ID: bench.PathID(len(d.Paths) + 1), Channel: bench.ChannelID(c), Contact: k, Mux: mux, Kelvin: true})
		}
	}
	return r
}

func volts(pin int, level float64) procedure.Hold {
	return procedure.Hold{Pin: pin, Use: procedure.UseVoltage, Level: level, Compliance: 0.01}
}

func amps(pin int, level float64) procedure.Hold {
	return procedure.Hold{Pin: pin, Use: procedure.UseCurrent, Level: level, Compliance: 1.5}
}

func grounded(pin int) procedure.Hold { return procedure.Hold{Pin: pin, Use: procedure.UseReturn} }

// powered holds ground and both supplies up, and the given pins.
func powered(holds ...procedure.Hold) []procedure.Hold {
	return append([]procedure.Hold{grounded(pinGround), volts(pinCore, 1.8), volts(pinIO, 5)}, holds...)
}

func point(read int, holds ...procedure.Hold) procedure.Point {
	return procedure.Point{Hold: holds, Read: []int{read}, Count: 1,
		Settle: procedure.Settle{Time: 1e-3}, Aperture: procedure.Aperture{Seconds: 1e-3}}
}

// bed is a test rig: a runner on a fake bench with everything that watches it.
type bed struct {
	rec    *procedure.Record
	kind   *fakeKind
	link   *fakeLink
	watch  *witness
	runner *Runner
	states []bench.State
}

// newBed makes a run of one measurement for each list of points.
func newBed(clock bench.Clock, lists ...[]procedure.Point) *bed {
	b := &bed{rec: fakeRecord(), kind: &fakeKind{points: map[string][]procedure.Point{}}, watch: newWitness()}
	b.link = newFakeLink(b.rec, clock)
	for i, points := range lists {
		id := fmt.Sprintf("m%d", i)
		b.rec.Procedure.Measurements = append(b.rec.Procedure.Measurements, procedure.Measurement{ID: id, Name: id, Kind: "fake"})
		b.kind.points[id] = points
		for _, p := range points {
			for _, h := range p.Hold {
				b.link.highest[h.Pin] = max(b.link.highest[h.Pin], h.Level, -h.Level)
			}
		}
	}
	b.runner = &Runner{
		Link: b.link, Clock: clock, Recorder: b.watch, Observer: b.watch,
		Kinds: func(string) (procedure.Kind, bool) { return b.kind, true },
		State: func(s bench.State, _ string) { b.states = append(b.states, s) },
	}
	return b
}

// faultsOf lists everything that must never happen, whatever went wrong.
func (b *bed) faultsOf() []string {
	b.link.mu.Lock()
	defer b.link.mu.Unlock()
	b.watch.mu.Lock()
	defer b.watch.mu.Unlock()
	out := append(b.link.broken, b.watch.broken...)
	if b.link.live {
		out = append(out, "the bench was left energised")
	}
	if n := len(b.watch.finished); n != b.watch.begun {
		out = append(out, fmt.Sprintf("begun %d times, finished %d times", b.watch.begun, n))
	}
	endings := 0
	for i, u := range b.watch.updates {
		if u.Ending != nil {
			endings++
			if i != len(b.watch.updates)-1 {
				out = append(out, "something was shown after the ending")
			}
		}
	}
	if endings != 1 {
		out = append(out, fmt.Sprintf("%d endings shown", endings))
	}
	return out
}

var year = time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)

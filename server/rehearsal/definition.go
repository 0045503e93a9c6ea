// Package rehearsal is the rehearsal bench: a bench.Link that lives inside the
// program. It solves the real circuit (the seated part with its faults, the
// straps, the multiplexers, the channels) and has the errors, the noise, the
// settling and the faults of a real bench. Everything random comes from seeds.
package rehearsal

import (
	"fmt"

	"ohmkeep/server/bench"
)

// Every figure in this file is invented: no existing card has exactly these.
// They are what a low-cost card with a 16-bit force converter, a 20-bit sense
// converter and analogue switches plausibly reaches.
const (
	contacts     = 48
	muxWays      = 16
	onResistance = 4.0    // Ω, closed switch with its wiring and the socket contact
	openLeakage  = 10e-12 // S, open switch
	// Tolerances of both, as parts of them: what somebody knows who has measured
	// a few paths at one temperature.
	onTolerance   = 0.1
	leakTolerance = 0.5
	sourceR       = 0.5 // Ω, output protection and connector outside the local sense point
	lineHz        = 50.0
	switchTime    = 2e-3 // s
	forceBits     = 16
	senseBits     = 20
)

// overscale is the reach of a converter beyond its full scale.
const overscale = 1.05

// DefaultBench is the bench that a fresh start has: two cards, four channels,
// 48 contacts and the return. Each channel reaches every contact through
// three 16-way multiplexers; channels 1A and 2A do so with a sense wire. The
// return has a switch of its own at every contact.
func DefaultBench() bench.Definition {
	d := bench.Definition{
		Key: "rehearsal", Name: "Rehearsal bench", Contacts: contacts,
		LineHz: lineHz, SwitchTime: switchTime, Capacitance: contactC + cableC,
	}
	for i, name := range []string{"1A", "1B", "2A", "2B"} {
		ch := channelOf(bench.ChannelID(i+1), name, i/2+1, i%2 == 0)
		d.Channels = append(d.Channels, ch)
		for c := 1; c <= contacts; c++ {
			first := (c-1)/muxWays*muxWays + 1
			d.Paths = append(d.Paths, bench.Path{
				ID: bench.PathID(i*contacts + c), Channel: ch.ID, Contact: c,
				Mux:        fmt.Sprintf("%s/%d-%d", name, first, first+muxWays-1),
				Address:    fmt.Sprintf("%s:%d", name, c),
				Resistance: onResistance, Leakage: openLeakage, Kelvin: ch.RemoteSense,
				ResistanceTolerance: onTolerance, LeakageTolerance: leakTolerance,
			})
		}
	}
	for c := 1; c <= contacts; c++ {
		d.Paths = append(d.Paths, bench.Path{
			ID: bench.PathID(4*contacts + c), Contact: c,
			Mux:        fmt.Sprintf("return/%d", c),
			Address:    fmt.Sprintf("return:%d", c),
			Resistance: onResistance, Leakage: openLeakage,
			ResistanceTolerance: onTolerance, LeakageTolerance: leakTolerance,
		})
	}
	return d
}

func channelOf(id bench.ChannelID, name string, card int, remote bool) bench.Channel {
	ch := bench.Channel{ID: id, Name: name, Card: card, RemoteSense: remote, SourceR: sourceR}
	for _, fs := range []float64{2, 10} { // V
		ch.ForceV = append(ch.ForceV, rangeOf(fs, forceBits, 5e-4, 2e-4, 5e-6))
		ch.SenseV = append(ch.SenseV, rangeOf(fs, senseBits, 3e-4, 5e-5, 2e-6))
	}
	for _, fs := range []float64{1e-6, 10e-6, 100e-6, 1e-3, 10e-3, 100e-3} { // A
		force, sense := rangeOf(fs, forceBits, 1e-3, 3e-4, 1e-5), rangeOf(fs, senseBits, 5e-4, 1e-4, 5e-6)
		force.LoopTime, sense.LoopTime = loopTime(fs), loopTime(fs)
		ch.ForceI, ch.SenseI = append(ch.ForceI, force), append(ch.SenseI, sense)
	}
	return ch
}

// rangeOf makes a range from its full scale and, as parts of it, offset and
// noise. The converter's steps cover both signs and the overscale.
func rangeOf(fullScale float64, bits int, gain, offset, noise float64) bench.Range {
	return bench.Range{
		FullScale: fullScale,
		Step:      2 * overscale * fullScale / float64(uint64(1)<<bits),
		Gain:      gain,
		Offset:    offset * fullScale,
		Noise:     noise * fullScale,
	}
}

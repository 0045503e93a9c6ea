package rehearsal

import (
	"fmt"
	"math"
	"math/rand/v2"

	"ohmkeep/server/bench"
)

// leastR is the resistance that stands for a wire, Ω.
const leastR = 1e-6

// switches are the two switches of a path as they really are: that of the
// force wire, and that of the sense wire where there is one.
type switches struct{ force, sense contactor }

// contactor is one switch with its wiring and the socket's contact.
type contactor struct {
	on, off float64 // Ω, closed and open
	emf     emf
}

// drawSwitches draws what the paths really have, with this insertion of the
// part. The tolerance of a resistance holds for switch, wiring and contact
// together: an insertion moves the resistance within it, and turns back at its
// ends, so that it stays rectangular.
func drawSwitches(def *bench.Definition, seed uint64, w *bench.World, insertion string) []switches {
	contact := make([]float64, def.Contacts+1) // Ω, what this insertion adds
	for c := range contact {
		contact[c] = symmetric(stream(seed, fmt.Sprintf("contact/%d/%s", c, insertion)), w.Contact)
	}
	out := make([]switches, len(def.Paths))
	for i := range def.Paths {
		p := &def.Paths[i]
		rng := stream(seed, fmt.Sprintf("path/%d", p.ID))
		spread := w.Tolerance * p.ToleranceOfResistance()
		on := func() float64 {
			x := symmetric(rng, 1)
			if w.Paths == 0 {
				return leastR
			}
			stated := w.Paths * max(p.Resistance, strapR)
			return max(stated+folded(x*spread*stated+contact[p.Contact], spread*stated), leastR)
		}
		off := func() float64 {
			s := w.Leakage * p.Leakage * (1 + symmetric(rng, w.Tolerance*p.ToleranceOfLeakage()))
			return 1 / max(s, 1/noLeakage)
		}
		// All four are always drawn, in this order.
		s := &out[i]
		s.force.on, s.sense.on = on(), on()
		s.force.off, s.sense.off = off(), off()
		if w.Thermal > 0 {
			rng = stream(seed, fmt.Sprintf("thermal/%d/%s", p.ID, insertion))
			s.force.emf, s.sense.emf = drawEMF(rng, w), drawEMF(rng, w)
		}
	}
	return out
}

// strapR is the resistance of a jumper where it is as assumed, Ω.
const strapR = bench.AssumedStrap

// strap is the resistance of the jumper at a contact, Ω: anywhere within what is
// assumed of one.
func (hw *hardware) strap(contact int) float64 {
	spread := hw.world.Tolerance * bench.AssumedStrapTolerance
	return max(strapR*(1+symmetric(stream(hw.seed, fmt.Sprintf("strap/%d", contact)), spread)), leastR)
}

// emf is the thermal voltage of a path: a steady part, and one that comes and
// goes as the temperatures of its joints do.
type emf struct {
	steady, swing float64 // V
	period, phase float64 // s, rad
}

func drawEMF(rng *rand.Rand, w *bench.World) emf {
	return emf{
		steady: symmetric(rng, w.Thermal*(1-w.ThermalChange)), swing: symmetric(rng, w.Thermal*w.ThermalChange),
		period: shortestPeriod * math.Pow(longestPeriod/shortestPeriod, rng.Float64()), phase: symmetric(rng, math.Pi),
	}
}

// The periods with which thermal voltages come and go, s: those of draughts
// and of the room's heating. Invented.
const (
	shortestPeriod = 60.0
	longestPeriod  = 600.0
)

// at is the thermal voltage t seconds after the bench was drawn, V.
func (e *emf) at(t float64) float64 {
	if e.swing == 0 {
		return e.steady
	}
	return e.steady + e.swing*math.Sin(2*math.Pi*t/e.period+e.phase)
}

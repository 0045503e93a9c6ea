package bench

import (
	"slices"
	"strings"

	"ohmkeep/server/dut"
)

// Distribution is how an error spreads within its bounds.
type Distribution string

// The distributions that the errors of a rehearsal bench are drawn from, each
// with a as the stated bound.
const (
	Rectangular Distribution = "rectangular" // anywhere within ±a alike: what a bound without further knowledge stands for
	Triangular  Distribution = "triangular"  // within ±a, most often near 0
	Normal      Distribution = "normal"      // standard deviation a/2: beyond ±a in 4.6 % of the cases
	Arcsine     Distribution = "arcsine"     // within ±a, most often near the bounds: the unkind one
)

// Distributions lists the distributions, the default first.
func Distributions() []Distribution {
	return []Distribution{Rectangular, Triangular, Normal, Arcsine}
}

// World is the imperfections of a rehearsal bench and of the room around it.
// A size of 0 switches an effect off; what is a part of a stated figure refers
// to the bench's definition.
type World struct {
	Distribution Distribution `json:"distribution" doc:"of the errors of gain and offset within the stated accuracy: rectangular, triangular, normal, arcsine"`
	Errors       float64      `json:"errors" doc:"bound of the errors of gain and offset, of the stated accuracy; 1: all of it"`
	Steps        float64      `json:"steps" doc:"converter steps, of the stated ones"`
	Noise        float64      `json:"noise" doc:"white noise, of the stated one"`
	Flicker      float64      `json:"flicker" doc:"1/f noise of the sense ranges: its Allan deviation, of the stated noise"`
	Hum          float64      `json:"hum" doc:"amplitude of the line hum in a reading, of the stated noise"`
	Drift        float64      `json:"drift" doc:"the most that gain and offset move in a day, of the stated accuracy, which they stay within"`
	// Ripple is on what a channel forces.
	LineRipple      float64 `json:"lineRipple" doc:"amplitude at twice the line frequency, of the full scale of the range that forces"`
	SwitchingRipple float64 `json:"switchingRipple" doc:"amplitude at the supply's switching frequency, of the full scale of the range that forces"`

	Paths         float64 `json:"paths" doc:"resistances of paths and of outputs, of the stated ones; 0: wires"`
	Leakage       float64 `json:"leakage" doc:"leakage of open switches, of the stated one"`
	Tolerance     float64 `json:"tolerance" doc:"bound of the spread of both, of outputs and of time constants, of the stated or assumed tolerances; 1: all of them"`
	Contact       float64 `json:"contact" doc:"the most that an insertion changes the resistance of a contact's paths within their tolerance, in ohms"`
	Thermal       float64 `json:"thermal" doc:"the largest thermal voltage of a path, in volts"`
	ThermalChange float64 `json:"thermalChange" doc:"part of it that comes and goes within minutes"`

	Ambient     float64 `json:"ambient" doc:"temperature around the bench, in degrees Celsius"`
	SelfHeating float64 `json:"selfHeating" doc:"thermal resistance from the part's junctions to the room, of that of its package"`
	Settling    float64 `json:"settling" doc:"time constants of the approach to a level, of the real ones"`
}

// Kelvin is the temperature around the bench in kelvin.
func (w *World) Kelvin() float64 { return w.Ambient + ZeroCelsius }

// ZeroCelsius is 0 °C in kelvin.
const ZeroCelsius = 273.15

// NamedWorld is a world to choose by name.
type NamedWorld struct {
	Key   string `json:"key"`
	Title string `json:"title"`
	World World  `json:"world"`
}

// The bounds of the sizes of a world. They keep a bench in the realm of what
// somebody could have on the desk, and the solver in that of numbers.
const (
	mostTimes   = 1000  // of a stated figure
	mostPart    = 1     // of a bound that must hold
	mostContact = 10    // Ω
	mostThermal = 10e-3 // V
	leastRoom   = -55   // °C
	mostRoom    = 150   // °C
)

// Check reports what cannot be in a world, field by field.
func (w *World) Check() dut.Problems {
	var ps dut.Problems
	if !slices.Contains(Distributions(), w.Distribution) {
		var known []string
		for _, d := range Distributions() {
			known = append(known, string(d))
		}
		ps.Add("distribution", "%q is none of %s", dut.Excerpt(string(w.Distribution)), strings.Join(known, ", "))
	}
	for _, f := range []struct {
		field       string
		value, most float64
		unit        string
	}{
		{"errors", w.Errors, mostTimes, ""}, {"steps", w.Steps, mostTimes, ""}, {"noise", w.Noise, mostTimes, ""},
		{"flicker", w.Flicker, mostTimes, ""}, {"hum", w.Hum, mostTimes, ""}, {"drift", w.Drift, mostTimes, ""},
		{"lineRipple", w.LineRipple, mostPart, ""}, {"switchingRipple", w.SwitchingRipple, mostPart, ""},
		{"paths", w.Paths, mostTimes, ""}, {"leakage", w.Leakage, mostTimes, ""}, {"tolerance", w.Tolerance, mostPart, ""},
		{"contact", w.Contact, mostContact, "Ω"}, {"thermal", w.Thermal, mostThermal, "V"}, {"thermalChange", w.ThermalChange, mostPart, ""},
		{"selfHeating", w.SelfHeating, mostTimes, ""}, {"settling", w.Settling, mostTimes, ""},
	} {
		within(&ps, f.field, f.value, 0, f.most, f.unit)
	}
	within(&ps, "ambient", w.Ambient, leastRoom, mostRoom, "°C")
	return ps
}

package procedure

import (
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// both is a limit to both sides of zero.
func both(bound float64) Limit {
	low := -bound
	return Limit{Low: &low, High: &bound}
}

// contact drafts the contact of all pins that have a diode to look for.
func (dr *drafter) contact() {
	d := dr.d
	m := standard("contact", "Contact")
	m.Group, m.StopOnFail = "Before power", true
	m.Level, m.Limits = contactCurrent, contact{}.Default(d).Limits
	m.Note = "Limits 0.3 V to 0.9 V: common practice for a silicon junction at 100 µA and room temperature. " +
		"Nothing is powered unless every pin makes contact."
	m.Compliance = contactCompliance
	var pins []int
	for _, n := range dr.alone(m.Name, d.PinsOf(dut.Input, dut.Output, dut.Bidirectional, dut.Analog, dut.Supply)) {
		p, _ := d.Pin(n)
		most := max(p.MaxV, -p.MinV)
		if p.Clamp == 0 {
			most = p.MaxV
		}
		switch {
		case p.MinV < diodeMinV:
			dr.omit(m.Name, n, "rated down to "+volts(p.MinV)+", so that there is no protection diode to look for")
		case most < diodeHigh+0.3:
			dr.omit(m.Name, n, "a rating of "+volts(most)+" leaves no room for a diode's voltage")
		default:
			pins = append(pins, n)
			m.Compliance = min(m.Compliance, most)
		}
	}
	m.Pins = pins
	if len(pins) == 0 {
		dr.why("", "", "Contact is left out: no pin is rated as one with a protection diode.")
		return
	}
	if id := dr.add(m); id != "" {
		dr.why(id, "limits", "0.3 V to 0.9 V, common practice for a silicon junction at 100 µA.")
		dr.why(id, "compliance", "%s: a pin without contact reads it, and no pin's rating is below it.", volts(m.Compliance))
	}
}

// shorts drafts shorts between neighbours, each row of the package by itself.
func (dr *drafter) shorts() {
	d := dr.d
	pins := dr.alone("Shorts", d.PinsOf(dut.Input, dut.Output, dut.Bidirectional, dut.Analog, dut.Supply))
	for _, r := range dr.rows(pins) {
		m := standard("shorts", r.name)
		m.Group, m.StopOnFail = "Before power", true
		m.Pins, m.Method, m.Level, m.Compliance = r.pins, Neighbours, shortsLevel, shortsCompliance
		m.Limits = map[string]Limit{"current": both(shortsLimit)}
		m.Note = "Limit ±20 µA, less than 10 kΩ at 0.2 V: common practice. Widen it where the part itself joins two neighbours."
		if id := dr.add(m); id != "" {
			dr.why(id, "limits", "±20 µA at 0.2 V counts less than 10 kΩ as a short; no junction conducts at so little. Common practice.")
		}
	}
}

// row is a stretch of pins that stand side by side.
type row struct {
	name string
	pins []int
}

// rows sorts pins into those that stand side by side: the two sides of a
// dual-row part face each other, and pins that a resistor on the board joins
// are no neighbours to look for shorts between.
func (dr *drafter) rows(pins []int) []row {
	out := []row{{name: "Shorts between neighbours"}}
	half := (dr.d.Package.Pins + 1) / 2
	for _, n := range pins {
		last := &out[len(out)-1]
		switch {
		case len(last.pins) == 0:
		case dr.d.Package.Family == dut.DualRow && last.pins[0] <= half && n > half:
			last.name = "Shorts between neighbours, left row"
			out = append(out, row{name: "Shorts between neighbours, right row"})
		case dr.joined(last.pins[len(last.pins)-1], n):
			out = append(out, row{name: last.name})
		}
		last = &out[len(out)-1]
		last.pins = append(last.pins, n)
	}
	return slices.DeleteFunc(out, func(r row) bool { return len(r.pins) == 0 })
}

// joined reports whether a resistor strap joins the contacts of two pins.
func (dr *drafter) joined(a, b int) bool {
	if dr.pm == nil {
		return false
	}
	ca, cb := dr.pm.Contacts[a], dr.pm.Contacts[b]
	return slices.ContainsFunc(dr.pm.Straps, func(s bench.Strap) bool {
		return s.Kind == bench.StrapResistor && (s.Contact == ca && s.To == cb || s.Contact == cb && s.To == ca)
	})
}

// leakage drafts the leakage of the inputs, and of pins that go both ways as a
// measurement that a person must turn on.
func (dr *drafter) leakage() {
	full := dr.currentRange(2*leakageLimit, leakageCompliance)
	draft := func(id, name string, pins []int, disabled bool) string {
		m := standard(id, name)
		m.Kind, m.Group, m.Powered, m.Rest, m.Disabled = "leakage", "Inputs", true, UseReturn, disabled
		m.Pins, m.Compliance, m.Settle, m.Repeats = dr.alone(name, pins), full, settleFor(full), 3
		m.Limits = map[string]Limit{"high": both(leakageLimit), "low": both(leakageLimit)}
		m.Note = "Limits ±1 µA: common practice, no standard. At the level of the supply that each pin is clamped to, and at 0 V."
		if disabled {
			m.Note += " Turn it on once the direction of these pins is held so that they are inputs: a pin that drives reads its own drive."
		}
		if len(m.Pins) == 0 {
			return ""
		}
		return dr.add(m)
	}
	if id := draft("leakage", "Input leakage", dr.d.PinsOf(dut.Input), false); id != "" {
		dr.why(id, "limits", "±1 µA, common practice: the logic families here state no input current.")
		dr.why(id, "compliance", "%s, the smallest range that holds twice the limit: it decides the resolution.", amps(full))
	}
	if id := draft("leakage-both-ways", "Leakage of two-way pins", dr.d.PinsOf(dut.Bidirectional), true); id != "" {
		dr.why(id, "disabled", "Left off: the device does not say what makes these pins inputs. The compliance of %s keeps it safe either way.", amps(full))
	}
}

// supplyCurrents drafts the current of each supply, or of supplies that a strap
// joins together.
func (dr *drafter) supplyCurrents() {
	done := map[int]bool{}
	for _, s := range dr.d.Power {
		if done[s.Pin] {
			continue
		}
		with := dr.together(s.Pin)
		for _, n := range with {
			done[n] = true
		}
		p, _ := dr.d.Pin(s.Pin)
		m := standard("supply-current", within("Supply current "+p.Name, maxName))
		m.Group, m.Pins, m.Powered, m.Rest, m.Repeats = "Supplies", []int{s.Pin}, true, UseReturn, 5
		m.Settle = Settle{Time: 20e-3}
		high := s.Limit
		if p.MaxI > 0 {
			high = min(high, p.MaxI)
		}
		m.Limits = map[string]Limit{"current": {High: &high}}
		m.Note = "High limit from the ratings: the limit of the power step or the pin's maximum, whichever is less. Put the data sheet's figure in its place."
		if len(with) > 1 {
			m.Name = within(fmt.Sprintf("Supply current, %d pins together", len(with)), maxName)
			m.Note += " These supplies share a channel by straps: the current read is their sum."
		}
		if id := dr.add(m); id != "" {
			dr.why(id, "limits", "At most %s, from the ratings: the device does not say what the part should draw.", amps(high))
		}
	}
}

// together is a supply and all others that a strap ties to its channel.
func (dr *drafter) together(pin int) []int {
	if dr.pm == nil {
		return []int{pin}
	}
	for _, s := range dr.pm.StrapsOf(dr.pm.Contacts[pin]) {
		if s.Kind == bench.StrapChannel {
			return dr.onChannel(s.Channel)
		}
	}
	return []int{pin}
}

// driven is outputs of one logic family at one supply.
type driven struct {
	family     string
	supply     float64 // V
	compliance float64 // V
	pins       []int
}

// outputs drafts the output levels under the logic family's test currents, and
// the level at no load of outputs without a family.
func (dr *drafter) outputs() {
	for _, g := range dr.drivenGroups() {
		levels, err := dut.LogicLevels(g.family, g.supply)
		if g.family == "" || err != nil || !levels.Outputs || levels.IOL == 0 || levels.IOH == 0 {
			switch {
			case g.family == "":
				dr.why("", "", "Output levels of %s are left out: no logic family is given for them.", dr.labels(g.pins))
			case err != nil:
				dr.why("", "", "Output levels of %s are left out: %v.", dr.labels(g.pins), err)
			default:
				dr.why("", "", "Output levels of %s are left out: %s states no output levels.", dr.labels(g.pins), levels.Source)
			}
			dr.unloaded(g)
			continue
		}
		// Which way an output drives is not known from the device. What the
		// family promises of either state is how stiffly it drives.
		dr.loaded(g, levels, "output-high", "Output level, sourcing", levels.IOH)
		dr.loaded(g, levels, "output-low", "Output level, sinking", levels.IOL)
	}
}

// stiffest is the highest output resistance, in ohms, that the family allows at
// its test currents in either state.
func stiffest(l dut.Levels) float64 {
	return max(math.Abs(l.VOL/l.IOL), math.Abs((l.Supply-l.VOH)/l.IOH))
}

func (dr *drafter) loaded(g driven, l dut.Levels, id, name string, load float64) {
	m := standard(id, name)
	m.Kind, m.Group, m.Powered, m.Rest = "output-level", "Outputs", true, UseReturn
	m.Pins, m.Level, m.Compliance = g.pins, load, g.compliance
	m.Settle = settleFor(0) // at no load the smallest current range is in use
	high := stiffest(l)
	m.Limits = map[string]Limit{"output-resistance": {High: &high}}
	m.Note = within(fmt.Sprintf("Load current from %s. Limit: the output resistance at which a low of %s or a high of %s is just kept at that current, whichever way the output drives. "+
		"Hold the inputs so that the outputs are high or low and limit the level under load to at least %s or at most %s.",
		l.Source, volts(l.VOL), volts(l.VOH), volts(l.VOH), volts(l.VOL)), maxNote)
	if added := dr.add(m); added != "" {
		dr.why(added, "limits", "%s at %s: VOL %s at %s, VOH %s at %s.", l.Source, volts(l.Supply), volts(l.VOL), amps(l.IOL), volts(l.VOH), amps(l.IOH))
		for _, n := range l.Notes {
			dr.why(added, "limits", "%s", n)
		}
	}
}

// unloaded drafts that outputs at no load stay between their rails.
func (dr *drafter) unloaded(g driven) {
	m := standard("voltage", "Outputs at no load")
	m.Group, m.Pins, m.Powered, m.Rest, m.Compliance = "Outputs", g.pins, true, UseReturn, g.compliance
	m.Settle = settleFor(0)
	low, high := min(0, g.supply)-0.1, max(0, g.supply)+0.1
	m.Limits = map[string]Limit{"voltage": {Low: &low, High: &high}}
	m.Note = "Limits: the rails and 0.1 V beyond, common practice. Give the outputs a logic family to have them loaded."
	if id := dr.add(m); id != "" {
		dr.why(id, "limits", "%s to %s: an output at no load lies between its rails. Common practice.", volts(low), volts(high))
	}
}

func (dr *drafter) labels(pins []int) string {
	s := ""
	for i, n := range pins {
		if i > 0 {
			s += ", "
		}
		s += labelOf(dr.d, n)
	}
	return s
}

// drivenGroups sorts the outputs by family and supply, in pin order.
func (dr *drafter) drivenGroups() []driven {
	var out []driven
	for _, n := range dr.alone("Output levels", dr.d.PinsOf(dut.Output)) {
		p, _ := dr.d.Pin(n)
		supply := dr.d.Power[0].Level
		if s, ok := powerStep(dr.d, p.Clamp); ok {
			supply = s.Level
		}
		above := p.AboveClamp
		if above <= 0 {
			above = 0.5
		}
		compliance := min(math.Abs(supply)+above, max(p.MaxV, -p.MinV))
		if p.MaxV > 0 {
			compliance = min(compliance, p.MaxV) // where it may go when the output does not carry the current
		}
		if p.MinV < diodeMinV {
			compliance = min(compliance, -p.MinV)
		}
		i := slices.IndexFunc(out, func(g driven) bool {
			return g.family == p.Logic && g.supply == supply && g.compliance == compliance
		})
		if i < 0 {
			i = len(out)
			out = append(out, driven{family: p.Logic, supply: supply, compliance: compliance})
		}
		out[i].pins = append(out[i].pins, n)
	}
	return out
}

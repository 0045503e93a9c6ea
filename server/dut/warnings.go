package dut

import (
	"fmt"
	"slices"
	"strings"
)

const noGround = "no pin is ground: voltages are measured from the return, so usually at least one pin leads there"

// Warnings reports what a valid device rarely lacks and a person should look at:
// it never blocks. Fields are named as by Validate.
func (d *Device) Warnings() Problems {
	ps := Problems{}
	if len(d.PinsOf(Ground)) == 0 {
		ps.Add("pins", "%s", noGround)
	}
	names := map[string]int{}
	for i, p := range d.Pins {
		at := fmt.Sprintf("pins[%d].", i)
		if first, dup := names[p.Name]; dup && !repeats(p.Function) {
			ps.Add(at+"name", "pins %d and %d are both called %s", first, p.Number, p.Name)
		}
		names[p.Name] = p.Number
		d.warnRatings(&ps, at, p)
		d.warnClamp(&ps, at, p)
		d.warnLogic(&ps, at, p)
		if p.Function == Supply && d.step(p.Number) < 0 {
			ps.Add("power", "supply pin %s is in no power step: it would stay unpowered", p.Label())
		}
	}
	for i, s := range d.Power {
		at := fmt.Sprintf("power[%d].", i)
		if s.Level == 0 {
			ps.Add(at+"level", "0 V leaves the supply off")
		}
		if p, ok := d.Pin(s.Pin); ok && p.MaxI > 0 && s.Limit > p.MaxI {
			ps.Add(at+"limit", "%s is above the rating of pin %s, %s", amps(s.Limit), p.Label(), amps(p.MaxI))
		}
	}
	return ps
}

// step returns the index of the power step of a supply pin, or -1.
func (d *Device) step(pin int) int {
	return slices.IndexFunc(d.Power, func(s PowerStep) bool { return s.Pin == pin })
}

func (d *Device) warnRatings(ps *Problems, at string, p Pin) {
	if p.Function == NoConnect {
		return
	}
	if p.Function != Ground {
		switch {
		case p.MinV == 0 && p.MaxV == 0:
			ps.Add(at+"maxV", "pin %s is rated for 0 V only, so nothing can be forced on it: enter its absolute maximum", p.Label())
		case p.MinV > 0 || p.MaxV < 0:
			ps.Add(at+"minV", "the rating of pin %s, %s to %s, leaves out 0 V, where every pin starts", p.Label(), volts(p.MinV), volts(p.MaxV))
		}
	}
	if p.MaxI == 0 {
		ps.Add(at+"maxI", "pin %s is rated for no current: enter its absolute maximum", p.Label())
	}
}

func (d *Device) warnClamp(ps *Problems, at string, p Pin) {
	if p.Clamp == 0 {
		if p.AboveClamp != 0 {
			ps.Add(at+"aboveClamp", "pin %s is rated relative to a supply, but none is named", p.Label())
		}
		if digital(p.Function) && len(d.PinsOf(Supply)) > 0 {
			ps.Add(at+"clamp", "pin %s names no supply that it is clamped to: it is not held back while that supply is off", p.Label())
		}
		return
	}
	if p.AboveClamp == 0 {
		ps.Add(at+"aboveClamp", "pin %s may not rise above its supply at all; most parts allow some tenths of a volt", p.Label())
	}
	if p.AboveClamp > 5 {
		ps.Add(at+"aboveClamp", "%s above its supply is unusual for pin %s: enter the difference, not the voltage to ground", volts(p.AboveClamp), p.Label())
	}
	if i := d.step(p.Clamp); i >= 0 && (p.Function == Output || p.Function == Bidirectional) && p.MaxV < d.Power[i].Level {
		ps.Add(at+"maxV", "pin %s is rated to %s, below its supply at %s", p.Label(), volts(p.MaxV), volts(d.Power[i].Level))
	}
}

func (d *Device) warnLogic(ps *Problems, at string, p Pin) {
	switch {
	case !digital(p.Function):
		if p.Logic != "" {
			ps.Add(at+"logic", "pin %s is no digital pin: its logic family is not used", p.Label())
		}
	case p.Logic == "":
		ps.Add(at+"logic", "pin %s has no logic family: its levels have no limits (%s)", p.Label(), strings.Join(logicKeys()[:3], ", ")+", ...")
	default:
		if i := d.step(p.Clamp); p.Clamp != 0 && i >= 0 {
			if _, err := LogicLevels(p.Logic, d.Power[i].Level); err != nil {
				ps.Add(at+"logic", "pin %s: %s", p.Label(), err)
			}
		}
	}
}

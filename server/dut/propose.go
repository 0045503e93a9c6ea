package dut

import (
	"fmt"
	"math"
)

// Assumption is a value that nobody gave. A person must confirm it before the
// device is used. Field is a path as in Problem.
type Assumption struct {
	Field string `json:"field"`
	Words string `json:"words"`
}

// What is assumed where a table says nothing: low enough for most parts, in volts
// and amperes (common practice, not from any datasheet).
const (
	assumedMaxV    = 3.6
	assumedBelow   = 0.3 // below ground, and above the clamp supply
	assumedSignalI = 10e-3
	assumedSupplyI = 50e-3
	assumedRamp    = 5e-3 // seconds
	assumedDelay   = 10e-3
)

// Propose makes a device of a pasted table: the pins as they were read, the
// package from their count, and for everything the table does not say a default,
// each with an Assumption. The device is valid for a table with pins.
func Propose(key, name string, t PinTable) (Device, []Assumption) {
	b := proposal{d: Device{Key: key, Name: name, Pins: t.Pins()}, rows: map[int]TableRow{}, said: []Assumption{}}
	for _, r := range t.Rows {
		if r.Used {
			b.rows[r.Pin.Number] = r
		}
	}
	b.proposePackage(t)
	b.fillGaps()
	for i := range b.d.Pins {
		if b.d.Pins[i].Function == Supply {
			b.proposeSupply(i)
		}
	}
	for i := range b.d.Pins {
		b.proposePin(i)
	}
	b.proposePower()
	return b.d, b.said
}

// proposal is a device in the making and what was assumed for it.
type proposal struct {
	d    Device
	rows map[int]TableRow // by pin number; the pins that the table gave
	said []Assumption
}

func (b *proposal) say(field, format string, args ...any) {
	b.said = append(b.said, Assumption{field, fmt.Sprintf(format, args...)})
}

func (b *proposal) gave(pin int, m Meaning) bool { r := b.rows[pin]; return r.Gave(m) }

func (b *proposal) proposePackage(t PinTable) {
	n := 1
	for _, p := range b.d.Pins {
		n = max(n, p.Number)
	}
	p := Package{Family: SingleRow, Pins: n, ThermalPad: t.ThermalPad}
	switch {
	case t.GridColumns > 0:
		p.Family = Grid
		p.Pins = min((n+t.GridColumns-1)/t.GridColumns*t.GridColumns, MaxPins)
		p.Columns = min(t.GridColumns, p.Pins)
	case n%4 == 0 && n >= 12 && (t.ThermalPad || n >= 32 && n != 40):
		p.Family = Quad
	case n%2 == 0 && n >= 4 || n == 3 || n == 5:
		p.Family = DualRow
	}
	b.d.Package = p
	b.say("package.family", "the package is taken as %s from its %d pins", p.Family, p.Pins)
}

func (b *proposal) fillGaps() {
	var gaps []int
	for n := 1; n <= b.d.Package.Pins; n++ {
		if _, ok := b.rows[n]; !ok {
			b.d.Pins = append(b.d.Pins, NewPin(n))
			gaps = append(gaps, n)
		}
	}
	b.d = b.d.SortPins()
	if len(gaps) > 0 {
		b.say("pins", "pin %s is in no row and taken as no connect", spans(gaps))
	}
}

// at is the path of a field of a pin.
func at(i int, field string) string { return fmt.Sprintf("pins[%d].%s", i, field) }

func (b *proposal) proposeSupply(i int) {
	p := &b.d.Pins[i]
	given := b.gave(p.Number, MeansMaxV) || b.gave(p.Number, MeansMinV)
	switch {
	case !b.gave(p.Number, MeansMaxV) && negativeSupply(p.Name):
		p.MaxV = assumedBelow
		if !b.gave(p.Number, MeansMinV) {
			p.MinV = -assumedMaxV
		}
	case !b.gave(p.Number, MeansMaxV):
		p.MaxV = assumedMaxV
	}
	if !b.gave(p.Number, MeansMinV) && p.MinV == 0 {
		p.MinV = min(-assumedBelow, p.MaxV)
	}
	if !given || !b.gave(p.Number, MeansMinV) {
		b.say(at(i, "maxV"), "supply pin %s: rated %s to %s until you enter its absolute maximum", p.Label(), volts(p.MinV), volts(p.MaxV))
	}
}

// proposePin fills clamp and ratings of a pin. Supplies already have their
// voltages.
func (b *proposal) proposePin(i int) {
	p := &b.d.Pins[i]
	if p.Function == NoConnect {
		return
	}
	b.proposeClamp(i)
	if !repeats(p.Function) {
		b.proposeVolts(i)
	}
	if !b.gave(p.Number, MeansMaxI) {
		p.MaxI = assumedSignalI
		if repeats(p.Function) {
			p.MaxI = assumedSupplyI
		}
		b.say(at(i, "maxI"), "pin %s: at most %s until you enter its absolute maximum", p.Label(), amps(p.MaxI))
	}
}

// proposeClamp clamps a signal to the only supply there is.
func (b *proposal) proposeClamp(i int) {
	p := &b.d.Pins[i]
	if repeats(p.Function) || p.Clamp != 0 {
		return
	}
	supply, only := b.onlySupply()
	if !only {
		return
	}
	p.Clamp = supply.Number
	b.say(at(i, "clamp"), "pin %s: clamped to %s, the only supply", p.Label(), supply.Label())
}

// onlySupply is the supply above ground, where all pins of that kind share a name.
func (b *proposal) onlySupply() (Pin, bool) {
	var found Pin
	for _, p := range b.d.Pins {
		if p.Function != Supply || negativeSupply(p.Name) {
			continue
		}
		if found.Number != 0 && p.Name != found.Name {
			return Pin{}, false
		}
		if found.Number == 0 {
			found = p
		}
	}
	return found, found.Number != 0
}

func (b *proposal) proposeVolts(i int) {
	p := &b.d.Pins[i]
	clamp, clamped := b.d.Pin(p.Clamp)
	if clamped && !b.gave(p.Number, MeansAboveClamp) {
		p.AboveClamp = assumedBelow
		b.say(at(i, "aboveClamp"), "pin %s: at most %s above %s until you enter the rating", p.Label(), volts(p.AboveClamp), clamp.Label())
	}
	maxGiven, minGiven := b.gave(p.Number, MeansMaxV), b.gave(p.Number, MeansMinV)
	if !maxGiven {
		p.MaxV = assumedMaxV
		if clamped {
			p.MaxV = sumV(clamp.MaxV, p.AboveClamp)
		}
		p.MaxV = max(p.MaxV, p.MinV)
	}
	if !minGiven {
		p.MinV = min(-assumedBelow, p.MaxV)
	}
	if !maxGiven || !minGiven {
		b.say(at(i, "maxV"), "pin %s: rated %s to %s until you enter its absolute maximum", p.Label(), volts(p.MinV), volts(p.MaxV))
	}
}

// sumV adds two ratings to the microvolt, so that 4.6 V and 0.3 V are 4.9 V, and
// keeps to what a bench can do.
func sumV(a, b float64) float64 { return min(math.Round((a+b)*1e6)/1e6, ratingLimitV) }

// usualSupplies are supply voltages in common use, descending.
var usualSupplies = []float64{48, 24, 15, 12, 9, 5, 3.3, 2.5, 1.8, 1.5, 1.2, 1.0, 0.8}

// proposePower brings each supply up at the nominal voltage of the logic family
// of its pins, or else at the highest usual voltage with 15 % to its rating.
func (b *proposal) proposePower() {
	for _, p := range b.d.Pins {
		if p.Function != Supply {
			continue
		}
		level, why := b.supplyLevel(p)
		if level == 0 {
			b.say("power", "supply pin %s is in no power step: its rating leaves no usual voltage", p.Label())
			continue
		}
		s := PowerStep{Pin: p.Number, Level: level, Limit: min(assumedSupplyI, maxRatedI), Ramp: assumedRamp, Delay: assumedDelay}
		if p.MaxI > 0 {
			s.Limit = min(s.Limit, p.MaxI)
		}
		b.d.Power = append(b.d.Power, s)
		b.say(fmt.Sprintf("power[%d].level", len(b.d.Power)-1), "supply %s comes up to %s, at most %s, in the order of the pins: %s",
			p.Label(), volts(level), amps(s.Limit), why)
	}
}

func (b *proposal) supplyLevel(p Pin) (float64, string) {
	for _, q := range b.d.Pins {
		if f, ok := LogicFamilyOf(q.Logic); ok && q.Clamp == p.Number && f.Nominal <= p.MaxV && f.Nominal >= p.MinV {
			return f.Nominal, "the nominal supply of the logic family " + f.Name
		}
	}
	most, sign := p.MaxV, 1.0
	if negativeSupply(p.Name) {
		most, sign = -p.MinV, -1
	}
	for _, v := range usualSupplies {
		if level := sign * v; v <= 0.85*most && level >= p.MinV && level <= p.MaxV {
			return level, "a usual voltage well below its rating"
		}
	}
	return 0, ""
}

package dut

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"ohmkeep/server/quantity"
)

func itoa(n int) string { return strconv.Itoa(n) }

// volts and amps write a value for a message.
func volts(v float64) string { return short(v, quantity.Volt) }
func amps(v float64) string  { return short(v, quantity.Ampere) }

// short writes v with up to four figures and no trailing zeros.
func short(v float64, unit quantity.Unit) string {
	s := quantity.Format(v, unit, 4)
	number, rest, _ := strings.Cut(s, " ")
	if strings.Contains(number, ".") {
		number = strings.TrimRight(strings.TrimRight(number, "0"), ".")
	}
	return strings.TrimSpace(number + " " + rest)
}

// clip bounds what a message repeats, in runes.
func clip(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

// Problem is one thing wrong with a field. Field is a path such as
// "pins[3].maxV"; Message says what is wrong and what would be right.
type Problem struct {
	Field   string `json:"field"`
	Message string `json:"message"`
}

// Problems is a list of faults in one document. It is an error when not empty.
type Problems []Problem

func (ps Problems) Error() string {
	parts := make([]string, len(ps))
	for i, p := range ps {
		parts[i] = p.Field + ": " + p.Message
	}
	return strings.Join(parts, "; ")
}

// Err returns the problems as an error, or nil where there are none.
func (ps Problems) Err() error {
	if len(ps) == 0 {
		return nil
	}
	return ps
}

// Add appends a problem with a formatted message.
func (ps *Problems) Add(field, format string, args ...any) {
	*ps = append(*ps, Problem{field, fmt.Sprintf(format, args...)})
}

// KeyPattern is what a stable key in an address looks like.
var KeyPattern = regexp.MustCompile(`^[a-z0-9](?:[a-z0-9-]{0,62}[a-z0-9])?$`)

const (
	maxName = 120
	maxText = 4000
)

// ratingLimitV is the bench's own ceiling: low-voltage DC only.
const ratingLimitV = 60

// maxRatedI is the largest current that a rating or a limit may state, amperes.
const maxRatedI = 10

// Validate reports every fault of the device as Problems, or nil.
func (d *Device) Validate() error {
	var ps Problems
	if !KeyPattern.MatchString(d.Key) {
		ps.Add("key", "use lower-case letters, digits and hyphens, at most 64")
	}
	Text{Least: 1, Most: maxName}.Add(&ps, "name", d.Name)
	Text{Most: maxText, Lines: true}.Add(&ps, "description", d.Description)
	d.checkPackage(&ps)
	seen := map[int]int{}
	for i, p := range d.Pins {
		d.checkPin(&ps, i, p, seen)
	}
	if len(d.Pins) != d.Package.Pins && d.Package.Pins >= 1 && d.Package.Pins <= MaxPins {
		ps.Add("pins", "the package has %d pins but %d are described", d.Package.Pins, len(d.Pins))
	}
	d.checkPower(&ps)
	return ps.Err()
}

func (d *Device) checkPackage(ps *Problems) {
	p := d.Package
	if p.Pins < 1 || p.Pins > MaxPins {
		ps.Add("package.pins", "must be 1 to %d, not %d", MaxPins, p.Pins)
		return
	}
	switch p.Family {
	case DualRow:
		if p.Pins%2 != 0 && p.Pins > 5 {
			ps.Add("package.pins", "a dual-row package has an even number of pins, not %d", p.Pins)
		}
	case Quad:
		if p.Pins%4 != 0 {
			ps.Add("package.pins", "a quad package has a multiple of four pins, not %d", p.Pins)
		}
	case Grid:
		if p.Columns < 0 || p.Columns > p.Pins {
			ps.Add("package.columns", "must be 0 (let the drawing choose) to %d, not %d", p.Pins, p.Columns)
		}
	case SingleRow:
	default:
		ps.Add("package.family", "%q is not one of dual row, quad, single row, grid", p.Family)
	}
}

func (d *Device) checkPin(ps *Problems, i int, p Pin, seen map[int]int) {
	at := fmt.Sprintf("pins[%d].", i)
	if p.Number < 1 || p.Number > d.Package.Pins {
		ps.Add(at+"number", "pin %d is not on a package of %d pins", p.Number, d.Package.Pins)
	}
	if first, dup := seen[p.Number]; dup {
		ps.Add(at+"number", "pin %d is described twice, first in row %d", p.Number, first+1)
	} else {
		seen[p.Number] = i
	}
	Text{Least: 1, Most: 32}.Add(ps, at+"name", p.Name)
	known := false
	for _, f := range Functions() {
		known = known || f == p.Function
	}
	if !known {
		ps.Add(at+"function", "%q is not a pin function", p.Function)
	}
	if p.Clamp != 0 {
		if q, ok := d.Pin(p.Clamp); !ok || q.Function != Supply {
			ps.Add(at+"clamp", "pin %d is not a supply pin of this device", p.Clamp)
		} else if p.Clamp == p.Number {
			ps.Add(at+"clamp", "pin %s cannot be clamped to itself", p.Label())
		}
	}
	for _, r := range ratings {
		if r.Signed {
			r.check(ps, at, p)
		}
	}
	if p.MinV > p.MaxV {
		ps.Add(at+"minV", "the lowest rating %g V is above the highest %g V", p.MinV, p.MaxV)
	}
	if p.AboveClamp < 0 {
		ps.Add(at+"aboveClamp", "is how far the pin may rise above its supply: 0 or more, not %s", volts(p.AboveClamp))
	}
	if _, ok := LogicFamilyOf(p.Logic); !ok && p.Logic != "" {
		ps.Add(at+"logic", "%q is not a logic family: leave it empty or use one of %s", clip(p.Logic, 40), strings.Join(logicKeys(), ", "))
	}
	for _, r := range ratings {
		if !r.Signed {
			r.check(ps, at, p)
		}
	}
}

func (d *Device) checkPower(ps *Problems) {
	seen := map[int]bool{}
	for i, s := range d.Power {
		at := fmt.Sprintf("power[%d].", i)
		pin, ok := d.Pin(s.Pin)
		if !ok || pin.Function != Supply {
			ps.Add(at+"pin", "pin %d is not a supply pin of this device", s.Pin)
			continue
		}
		if seen[s.Pin] {
			ps.Add(at+"pin", "pin %s comes up twice", pin.Label())
		}
		seen[s.Pin] = true
		if !(s.Level >= pin.MinV && s.Level <= pin.MaxV) {
			ps.Add(at+"level", "%g V is outside the rating of pin %s, %g to %g V", s.Level, pin.Label(), pin.MinV, pin.MaxV)
		}
		if !(s.Limit > 0 && s.Limit <= maxRatedI) {
			ps.Add(at+"limit", "must be above 0 and at most 10 A")
		}
		if !(s.Ramp >= 0 && s.Ramp <= 60) {
			ps.Add(at+"ramp", "must be 0 to 60 s")
		}
		if !(s.Delay >= 0 && s.Delay <= 60) {
			ps.Add(at+"delay", "must be 0 to 60 s")
		}
	}
}

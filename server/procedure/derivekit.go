package procedure

import (
	"fmt"
	"math"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// sure is the factor from a standard uncertainty to what can be told from zero.
const sure = 2

// kit is what every deriver needs to turn a value into a result. The results'
// Measurement is left at 0 for the caller, who knows the index.
type kit struct {
	kind      *facts
	m         *Measurement
	d         *dut.Device
	rule      Rule
	condition string
}

func newKit(f *facts, m *Measurement, d *dut.Device, rule Rule) kit {
	return kit{kind: f, m: m, d: d, rule: rule, condition: conditionOf(m, d)}
}

// conditionOf is the words for the supplies and their levels, and for the
// temperature where one is given: "VCC 5 V, 85 °C". Where two supplies share a
// name the pin number goes with it.
func conditionOf(m *Measurement, d *dut.Device) string {
	at := Condition{Supplies: m.suppliedAt(d)}
	if m.At != nil {
		at.Temperature = m.At.Temperature
	}
	return at.Words(d)
}

// suppliedAt is the supplies, in power order, that stand at one level in volts
// over the whole measurement. One that the measurement itself sweeps or steps has
// no such level, and to name that of its power step would be wrong.
func (m *Measurement) suppliedAt(d *dut.Device) []SupplyLevel {
	if !m.Powered {
		return nil
	}
	var out []SupplyLevel
	for _, s := range d.Power {
		if p, ok := d.Pin(s.Pin); !ok {
			continue
		} else if h := holdFor(m, d, p); !m.connects(s.Pin) && h.Use == UseVoltage {
			out = append(out, SupplyLevel{s.Pin, h.Level})
		} else if own := m.forces(d, s.Pin); own.Known && own.Low == own.High {
			out = append(out, SupplyLevel{s.Pin, own.Low})
		}
	}
	return out
}

// value is a derived value before it is held against its limits.
type value struct {
	key, group, note string
	pin              int
	of               budget.Value  // with all that it depends on
	counted          bool          // a count, without uncertainty
	unit             quantity.Unit // where the kind's output leaves it open
	flags            bench.Flags
	// said is what is said of the value where its interval is not that of its
	// contributions; nil: it is.
	said *budget.Statement
	// bound says where the truth lies if the value rests on a clamped reading:
	// above it (+1), below it (-1), or nobody knows (0).
	bound int
	// only says that the value is no more than that bound, though no reading was
	// at its compliance.
	only bool
	// through, where given, turns what is stated of the value into the result: a
	// logarithm or a slope back into what it is of. It rises or falls all along, so
	// that the ends of the interval stay its ends.
	through *transform
	// lost says in words which condition was not reached; the value is then of
	// another one.
	lost string
}

// x is the estimate.
func (v *value) x() float64 {
	if v.through != nil {
		return v.through.of(v.of.X)
	}
	return v.of.X
}

// state is what is said of the value; ok is false where it has no uncertainty.
func (v *value) state() (said stated, ok bool) {
	if v.counted || v.of.Uc() == 0 { // a bench without errors leaves none
		return said, false
	}
	if v.said != nil {
		return stated{*v.said, nil}, true
	}
	return stated{v.of.State(budget.Coverage), v.through}, true
}

// result holds a value against its limits. ok is false for what is no number:
// then there is nothing to say yet.
func (k *kit) result(v value) (Result, bool) {
	out, _ := k.kind.output(v.key)
	lim := k.m.Limits[v.key]
	r := Result{
		Key: v.key, Name: out.Name, Pin: v.pin, Group: v.group, Condition: k.condition,
		Value: v.x(), From: v.x(), To: v.x(), Unit: out.Unit, Low: lim.Low, High: lim.High,
		Flags: v.flags &^ (bench.OutOfLimit | bench.Auxiliary), Note: v.note,
	}
	if !finite(r.Value) {
		return Result{}, false
	}
	said, ok := v.state()
	if ok {
		r.state(said.shown())
	}
	if v.only {
		r.open(v.bound)
	}
	if r.Unit == "" {
		r.Unit = v.unit
	}
	if v.lost != "" {
		r.Note = joinLabel(v.lost, r.Note)
	}
	k.judge(&r, &v, &said)
	if v.only && r.U == 0 {
		r.U = math.NaN() // a bound that is exact has no interval about it; 0 would say that the value is known
	}
	if r.Outcome == derive.Fail || r.Outcome == derive.ConditionalFail {
		r.Flags |= bench.OutOfLimit
	}
	if r.Note == "" {
		r.Note = flagNote(r.Flags)
	}
	if r.Note == "" && r.Budget != nil && r.Budget.Why != "" {
		r.Note = "how far off it may be cannot be said: " + r.Budget.Why
	}
	return r, true
}

func flagNote(f bench.Flags) string {
	switch {
	case f.Has(bench.AfterFault):
		return "read before a fault of the bench was noticed: not to be trusted"
	case f.Has(bench.OverRange):
		return "over range: the converter was at its end"
	case f.Has(bench.NotSettled):
		return "not settled in the time allowed: give it longer"
	case f.Has(bench.InCompliance):
		return "read at the compliance: not a measure of the set condition"
	}
	return ""
}

// add appends the value's result where there is one.
func (k *kit) add(to []Result, v value) []Result {
	if r, ok := k.result(v); ok {
		to = append(to, r)
	}
	return to
}

func (k *kit) label(pin int) string {
	if p, ok := k.d.Pin(pin); ok {
		return p.Label()
	}
	return fmt.Sprint(pin)
}

// sign is +1, -1 or 0.
func sign(v float64) int {
	switch {
	case v > 0:
		return 1
	case v < 0:
		return -1
	}
	return 0
}

package procedure

import (
	"strings"

	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// beforeBudgets is what is said of a result from before budgets were kept.
const beforeBudgets = "U is k = 2 of a reading, made before budgets were kept"

// Old reports whether the result is from before budgets were kept: its U is that
// of a reading.
func (r *Result) Old() bool { return r.U > 0 && r.K == 0 }

// Remark is the result's note, with what has to be said of an old one.
func (r *Result) Remark() string {
	switch {
	case !r.Old():
		return r.Note
	case r.Note == "":
		return beforeBudgets
	}
	return r.Note + "; " + beforeBudgets
}

// WithoutBudget says why the result has no contributions to its uncertainty.
func (r *Result) WithoutBudget() string {
	switch {
	case r.Outcome == derive.Damaged:
		return r.Note
	case r.Old():
		return beforeBudgets
	case r.Budget != nil && r.Budget.Why != "":
		return r.Budget.Why
	case r.Budget == nil && r.K > 0:
		return "its measurement had not ended when it was worked out: the contributions are kept with the last result"
	case r.Flags != 0 || r.Note != "":
		return "it is a bound, or rests on readings that are no measure"
	}
	return "it is a count, without uncertainty"
}

// HeldLevels are the levels that other pins were held at.
func (r *Result) HeldLevels() []Held {
	if r.Budget == nil {
		return nil
	}
	return r.Budget.Held
}

// HeldWords says what levels were held: "VCC 5.002 V ± 2 mV".
func HeldWords(levels []Held, d *dut.Device) string {
	var words []string
	for _, h := range levels {
		words = append(words, h.Words(d))
	}
	return strings.Join(words, ", ")
}

// Words is one held level: "VCC 5.0021 V ± 0.0024 V".
func (h Held) Words(d *dut.Device) string {
	return pinName(d, h.Pin) + " " + quantity.Pair(h.Value, h.U, quantity.Volt)
}

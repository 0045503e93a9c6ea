package form

import (
	"fmt"
	"net/url"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// ProcedureValues is the form of what holds for all measurements.
func ProcedureValues(p *procedure.Procedure) url.Values {
	v := url.Values{"name": {p.Name}, "notes": {p.Notes}}
	ruleValues(v, p.Rule())
	if p.StopOnFail {
		v.Set("stopOnFail", "1")
	}
	for i, c := range p.Conditions {
		for _, x := range c.Supplies {
			v.Set(procedure.ConditionField(i, "supply."+strconv.Itoa(x.Pin)), quantity.Exact(x.Level, quantity.Volt))
		}
		if c.Temperature != nil {
			v.Set(procedure.ConditionField(i, "temperature"), quantity.Exact(*c.Temperature, quantity.Celsius))
		}
		v.Set(procedure.ConditionField(i, "group"), c.Group)
		v.Set(procedure.ConditionField(i, "note"), c.Note)
	}
	return v
}

// maxConditions bounds the rows of the form; spareConditions stay empty.
const maxConditions, spareConditions = procedure.MaxConditions, 2

func conditionPrefix(i int) string { return procedure.ConditionField(i, "") }

// ConditionRows is how many rows of conditions the form shows.
func ConditionRows(f url.Values) int {
	n := 0
	for i := range maxConditions {
		if filledCondition(f, i) {
			n = i + 1
		}
	}
	n += spareConditions
	if f.Get("do") == "rows" {
		n += 2 * spareConditions
	}
	return min(n, maxConditions)
}

// filledCondition reports whether anything is entered in a row but its heading,
// which is chosen always.
func filledCondition(f url.Values, i int) bool {
	for name, v := range f {
		if strings.HasPrefix(name, conditionPrefix(i)) && !strings.HasSuffix(name, ".group") && strings.TrimSpace(v[0]) != "" {
			return true
		}
	}
	return false
}

// conditions reads the rows of conditions and moves the filled ones together,
// so that row and condition have the same number.
func (r *Reader) conditions(d *dut.Device) (out []procedure.Condition) {
	f := r.Values
	rows := make([]map[string][]string, 0)
	for i := range maxConditions {
		row := map[string][]string{}
		filled := filledCondition(f, i)
		for name, v := range f {
			if part, of := strings.CutPrefix(name, conditionPrefix(i)); of {
				row[part] = v
				delete(f, name)
			}
		}
		if filled {
			rows = append(rows, row)
		}
	}
	for i, row := range rows {
		for part, v := range row {
			f[procedure.ConditionField(i, part)] = v
		}
		out = append(out, r.condition(i, d))
	}
	return out
}

// condition reads condition i.
func (r *Reader) condition(i int, d *dut.Device) (c procedure.Condition) {
	field := func(part string) Field { return r.document(procedure.ConditionField(i, part)) }
	for _, x := range d.Power {
		if level := field("supply." + strconv.Itoa(x.Pin)); level.Given() {
			c.Supplies = append(c.Supplies, procedure.SupplyLevel{Pin: x.Pin, Level: r.NeedQuantity(level, quantity.Volt)})
		}
	}
	if temperature := field("temperature"); temperature.Given() {
		t := r.NeedQuantity(temperature, quantity.Celsius)
		c.Temperature = &t
	}
	c.Group, c.Note = field("group").Text, field("note").Text
	return c
}

// ConditionField is the field of the form for a path such as
// "conditions[1].supplies[0].level".
func ConditionField(path string, conditions []procedure.Condition) string {
	var i, k int
	if n, _ := fmt.Sscanf(path, "conditions[%d].supplies[%d]", &i, &k); n == 2 && i < len(conditions) && k < len(conditions[i].Supplies) {
		return procedure.ConditionField(i, "supply."+strconv.Itoa(conditions[i].Supplies[k].Pin))
	}
	return path
}

// ReadProcedure enters the form into p and reports what could not be read, by
// the fields of the form.
func ReadProcedure(f url.Values, p *procedure.Procedure, d *dut.Device) dut.Problems {
	r := NewReader(f)
	p.Name = r.Line("name")
	p.Notes = r.Lines("notes")
	p.StopOnFail = r.Checked("stopOnFail")
	p.Conditions = r.conditions(d)
	p.Guard, p.Risk = r.rule()
	return r.Problems
}

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
	v := url.Values{"name": {p.Name}, "notes": {p.Notes}, "guard": {quantity.Exact(p.Guard, quantity.One)}}
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

// readConditions reads the rows of conditions and moves the filled ones together,
// so that row and condition have the same number.
func readConditions(f url.Values, d *dut.Device) (out []procedure.Condition, ps dut.Problems) {
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
		c, bad := readCondition(f, i, d)
		out, ps = append(out, c), append(ps, bad...)
	}
	return out, ps
}

func readCondition(f url.Values, i int, d *dut.Device) (c procedure.Condition, ps dut.Problems) {
	get := func(part string) string { return strings.TrimSpace(f.Get(procedure.ConditionField(i, part))) }
	for _, x := range d.Power {
		part := "supply." + strconv.Itoa(x.Pin)
		if get(part) == "" {
			continue
		}
		v, err := quantity.Parse(get(part), quantity.Volt)
		if err != nil {
			ps.Add(procedure.ConditionField(i, part), "%s", err.Error())
		}
		c.Supplies = append(c.Supplies, procedure.SupplyLevel{Pin: x.Pin, Level: v})
	}
	if text := get("temperature"); text != "" {
		t, err := quantity.Parse(text, quantity.Celsius)
		if err != nil {
			ps.Add(procedure.ConditionField(i, "temperature"), "%s", err.Error())
		}
		c.Temperature = &t
	}
	c.Group, c.Note = get("group"), get("note")
	return c, ps
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

// ReadProcedure enters the form into p.
func ReadProcedure(f url.Values, p *procedure.Procedure, d *dut.Device) dut.Problems {
	p.Name = strings.TrimSpace(f.Get("name"))
	p.Notes = PlainLines(f.Get("notes"))
	p.StopOnFail = f.Get("stopOnFail") == "1"
	conditions, ps := readConditions(f, d)
	p.Conditions = conditions
	guard, err := quantity.Parse(f.Get("guard"), quantity.One)
	if err != nil {
		ps.Add("guard", "%s", err.Error())
	}
	p.Guard = guard
	return ps
}

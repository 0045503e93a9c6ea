package routes

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/web"
)

// aboutValues is the form of what holds for all measurements.
func aboutValues(p *procedure.Procedure) url.Values {
	v := url.Values{"name": {p.Name}, "notes": {p.Notes}, "guard": {web.Exact(p.Guard, quantity.One)}}
	if p.StopOnFail {
		v.Set("stopOnFail", "1")
	}
	for i, c := range p.Conditions {
		for _, x := range c.Supplies {
			v.Set(web.CornerField(i, "supply."+strconv.Itoa(x.Pin)), web.Exact(x.Level, quantity.Volt))
		}
		if c.Temperature != nil {
			v.Set(web.CornerField(i, "temperature"), web.Exact(*c.Temperature, quantity.Celsius))
		}
		v.Set(web.CornerField(i, "group"), c.Group)
		v.Set(web.CornerField(i, "note"), c.Note)
	}
	return v
}

// maxCorners bounds the rows of the form; spareCorners stay empty.
const maxCorners, spareCorners = 64, 2

func cornerPrefix(i int) string { return web.CornerField(i, "") }

// cornerRows is how many rows of conditions the form shows.
func cornerRows(f url.Values) int {
	n := 0
	for i := range maxCorners {
		if filledCorner(f, i) {
			n = i + 1
		}
	}
	n += spareCorners
	if f.Get("do") == "rows" {
		n += 2 * spareCorners
	}
	return min(n, maxCorners)
}

// filledCorner reports whether anything is entered in a row but its heading,
// which is chosen always.
func filledCorner(f url.Values, i int) bool {
	for name, v := range f {
		if strings.HasPrefix(name, cornerPrefix(i)) && !strings.HasSuffix(name, ".group") && strings.TrimSpace(v[0]) != "" {
			return true
		}
	}
	return false
}

// readCorners reads the rows of conditions and moves the filled ones together,
// so that row and condition have the same number.
func readCorners(f url.Values, d *dut.Device) (out []procedure.Condition, ps dut.Problems) {
	rows := make([]map[string][]string, 0)
	for i := range maxCorners {
		row := map[string][]string{}
		filled := filledCorner(f, i)
		for name, v := range f {
			if part, of := strings.CutPrefix(name, cornerPrefix(i)); of {
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
			f[web.CornerField(i, part)] = v
		}
		c, bad := readCorner(f, i, d)
		out, ps = append(out, c), append(ps, bad...)
	}
	return out, ps
}

func readCorner(f url.Values, i int, d *dut.Device) (c procedure.Condition, ps dut.Problems) {
	get := func(part string) string { return strings.TrimSpace(f.Get(web.CornerField(i, part))) }
	for _, x := range d.Power {
		part := "supply." + strconv.Itoa(x.Pin)
		if get(part) == "" {
			continue
		}
		v, err := quantity.Parse(get(part), quantity.Volt)
		if err != nil {
			ps.Add(web.CornerField(i, part), "%s", err.Error())
		}
		c.Supplies = append(c.Supplies, procedure.SupplyLevel{Pin: x.Pin, Level: v})
	}
	if text := get("temperature"); text != "" {
		t, err := quantity.Parse(text, quantity.Celsius)
		if err != nil {
			ps.Add(web.CornerField(i, "temperature"), "%s", err.Error())
		}
		c.Temperature = &t
	}
	c.Group, c.Note = get("group"), get("note")
	return c, ps
}

// cornerField is the field of the form for a path such as
// "conditions[1].supplies[0].level".
func cornerField(path string, conditions []procedure.Condition) string {
	var i, k int
	if n, _ := fmt.Sscanf(path, "conditions[%d].supplies[%d]", &i, &k); n == 2 && i < len(conditions) && k < len(conditions[i].Supplies) {
		return web.CornerField(i, "supply."+strconv.Itoa(conditions[i].Supplies[k].Pin))
	}
	return path
}

// readAbout enters the form into p.
func readAbout(f url.Values, p *procedure.Procedure, d *dut.Device) dut.Problems {
	p.Name = strings.TrimSpace(f.Get("name"))
	p.Notes = plainLines(f.Get("notes"))
	p.StopOnFail = f.Get("stopOnFail") == "1"
	conditions, ps := readCorners(f, d)
	p.Conditions = conditions
	guard, err := quantity.Parse(f.Get("guard"), quantity.One)
	if err != nil {
		ps.Add("guard", "%s", err.Error())
	}
	p.Guard = guard
	return ps
}

func (s *Server) procedureAboutForm(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	if err := r.ParseForm(); err != nil {
		return err
	}
	e, err := s.openProcedure(r)
	if err != nil {
		return err
	}
	from := postedRev(r.PostForm)
	p := e.stored.Body.Clone()
	ps := readAbout(r.PostForm, &p, &e.device.Body)
	if r.PostForm.Get("do") == "rows" {
		e.about = &web.Form{ID: "about", Values: r.PostForm}
		return s.showProcedureEditor(w, r, http.StatusOK, e)
	}
	if err := p.Validate(&e.device.Body); err != nil {
		for _, q := range problemsOf(err, s) { // those of measurements are told in the list
			q.Field = cornerField(q.Field, p.Conditions)
			if !strings.HasPrefix(q.Field, "measurements") && !slices.ContainsFunc(ps, func(x dut.Problem) bool { return x.Field == q.Field }) {
				ps = append(ps, q)
			}
		}
	}
	if len(ps) > 0 {
		form := web.FormFrom("about", r.PostForm, ps)
		e.about = &form
		return s.showProcedureEditor(w, r, http.StatusUnprocessableEntity, e)
	}
	if _, err = s.saveProcedure(ctx, p, from); isStale(err) {
		if err := s.conflicting(ctx, e, from, &p); err != nil {
			return err
		}
		form := web.Form{ID: "about", Values: r.PostForm, Errors: map[string]string{"": "Not saved yet: look at what changed above, then save again."}}
		e.about = &form
		return s.showProcedureEditor(w, r, http.StatusConflict, e)
	}
	if err != nil {
		return err
	}
	return seeOther(w, r, "/procedures/"+p.Key+"/edit#about")
}

package routes

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
)

// deviceNewPage is the page that begins a device with a name and a pasted
// table; its pins are shown for review before anything is stored.
func (s *Server) deviceNewPage(w http.ResponseWriter, r *http.Request) error {
	e := editing{values: url.Values{}}
	return s.showEditor(w, r, http.StatusOK, &e)
}

func (s *Server) deviceNewForm(w http.ResponseWriter, r *http.Request) error {
	v := r.PostForm
	e := editing{values: v}
	e.look()
	switch do := v.Get("do"); {
	case do == "understand", do == "look" && form.PinColumns.Rows(v) == 0:
		return s.showEditor(w, r, e.understand(), &e)
	case do == "blank":
		return s.showEditor(w, r, e.begin(), &e)
	case do == "save":
		return s.saveNew(w, r, &e)
	default:
		return s.showEditor(w, r, e.act(do), &e)
	}
}

// understand parses the pasted table into the form.
func (e *editing) understand() int {
	text := e.values.Get("paste")
	e.problems = nil
	if strings.TrimSpace(text) == "" {
		e.device.Pins = nil
		if e.values.Get("do") == "look" {
			return http.StatusOK
		}
		e.problems.Add("paste", "paste a table with a line for each pin first")
		return http.StatusUnprocessableEntity
	}
	t := dut.ParsePinTable(text)
	e.table = &t
	if len(t.Pins()) == 0 {
		e.device.Pins = nil
		e.problems.Add("paste", "no pin was found in it: see what was made of each line below")
		return http.StatusUnprocessableEntity
	}
	asked := e.device
	d, said := dut.Propose(asked.Key, asked.Name, t)
	d.Description, d.Model = asked.Description, asked.Model
	e.assumptions = said
	if asked.Package.Family != "" {
		e.assumptions = slices.DeleteFunc(said, func(a dut.Assumption) bool { return a.Field == "package.family" })
		d = e.choosePackage(d, asked.Package)
	}
	e.replace(&d)
	e.nameless()
	return http.StatusOK
}

// choosePackage puts the pins of a table into the package that was chosen;
// where that cannot hold them, the table's own stays and a line says so.
func (e *editing) choosePackage(d dut.Device, p dut.Package) dut.Device {
	if p.Pins == 0 {
		p.Pins = d.Package.Pins
	}
	p.ThermalPad = p.ThermalPad || d.Package.ThermalPad
	last := 0
	for _, pin := range d.Pins {
		if pin.Function != dut.NoConnect {
			last = max(last, pin.Number)
		}
	}
	to, err := d.SetPackage(p)
	if err != nil || last > p.Pins {
		e.notice = fmt.Sprintf("The table has pins up to %d, which do not fit a %s package with %d pins: the package is as the table says.", last, p.Family, p.Pins)
		return d
	}
	return to
}

// nameless drops the problems with name and key while they may still be typed.
func (e *editing) nameless() {
	e.problems = slices.DeleteFunc(e.problems, func(p dut.Problem) bool {
		return p.Field == "name" && e.values.Get("name") == "" || p.Field == "key" && e.values.Get("key") == ""
	})
}

// begin fills the form with empty pins for the chosen package.
func (e *editing) begin() int {
	p := e.device.Package
	if p.Family == "" {
		p.Family = dut.DualRow
	}
	d := dut.Device{Key: e.device.Key, Name: e.device.Name, Description: e.device.Description, Model: e.device.Model}
	to, err := d.SetPackage(p)
	if err != nil {
		e.problems = nil
		for _, x := range problemsIn(err) {
			e.problems.Add(x.Field, "%s", x.Message)
		}
		return http.StatusUnprocessableEntity
	}
	e.replace(&to)
	e.nameless()
	return http.StatusOK
}

func problemsIn(err error) dut.Problems {
	ps, _ := err.(dut.Problems)
	return ps
}

// saveNew stores the device and proposes its pin map.
func (s *Server) saveNew(w http.ResponseWriter, r *http.Request, e *editing) error {
	ctx, who := r.Context(), personOf(r.Context())
	typedKey := strings.TrimSpace(e.values.Get("key"))
	if typedKey == "" && e.device.Name != "" {
		key, err := s.Lab.FreeDeviceKey(ctx, form.KeyFor(e.device.Name))
		if err != nil {
			return err
		}
		e.values.Set("key", key)
		e.look()
	}
	lab.CheckDeviceKey(&e.problems, typedKey)
	if len(e.problems) > 0 {
		e.values.Set("key", typedKey)
		return s.showEditor(w, r, http.StatusUnprocessableEntity, e)
	}
	err := s.Lab.DescribeDevice(ctx, s.bench(ctx), who, e.device)
	if problem.CodeOf(err) == problem.Conflict {
		e.problems.Add("key", "%s: choose another key", err)
		return s.showEditor(w, r, http.StatusConflict, e)
	}
	if err != nil {
		return err
	}
	return seeOther(w, r, "/devices/"+e.device.Key)
}

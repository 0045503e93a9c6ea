package routes

import (
	"context"
	"fmt"
	"maps"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/web"
)

// Manual work is a procedure of one measurement, run by the same executor
// under the same rules, but into memory. "Keep this" writes it to the store.

const (
	watchFor   = 600.0 // s, "force and read" unless stopped
	ohmRepeats = 20    // readings of the ohmmeter
	watchEvery = 0.1   // s, between readings on a page that a person looks at
)

// entered is what was last entered by hand, or the page's defaults for what was
// measured otherwise.
func entered(m *lab.Manual) url.Values {
	if m.Entered == nil && m.Device != "" {
		return manualValues(nil, m.Device)
	}
	return m.Entered
}

// manualFields reads the form. Everything that is wrong is reported at once,
// beside its field.
type manualFields struct {
	f  url.Values
	ps dut.Problems
}

func (r *manualFields) quantity(name string, unit quantity.Unit) float64 {
	v, err := quantity.Parse(r.f.Get(name), unit)
	if err != nil {
		r.ps.Add(name, "%s", err.Error())
	}
	return v
}

func (r *manualFields) count(name string, most int) int {
	n, err := strconv.Atoi(strings.TrimSpace(r.f.Get(name)))
	if err != nil || n < 1 || n > most {
		r.ps.Add(name, "give a whole number, 1 to %d", most)
	}
	return n
}

func (r *manualFields) pin(name string, d *dut.Device, zero bool) int {
	text := r.f.Get(name)
	n, err := strconv.Atoi(text)
	if zero && (text == "" || text == "0") {
		return 0
	}
	if _, ok := d.Pin(n); err != nil || !ok {
		r.ps.Add(name, "pick a pin of the device")
	}
	return n
}

// manualMeasurement makes the measurement that a form asks for.
func manualMeasurement(f url.Values, d *dut.Device) (procedure.Measurement, error) {
	r := &manualFields{f: f}
	m := procedure.Measurement{ID: "manual", Powered: f.Get("powered") == "1"}
	m.Pins = []int{r.pin("pin", d, false)}
	m.Use = procedure.Use(f.Get("use"))
	against := r.pin("against", d, true)
	switch f.Get("do") {
	case "read":
		m.Kind, m.Name = "watch", "Force and read"
		m.Level = r.quantity("level", m.Use.ForcedUnit())
		m.Duration, m.Interval = watchFor, watchEvery
	case "ohm":
		m.Kind, m.Name, m.Use = "resistance", "Resistance", procedure.UseCurrent
		m.Method, m.Against = procedure.Method(f.Get("method")), against
		m.Level, m.Repeats = r.quantity("current", quantity.Ampere), ohmRepeats
	case "curve":
		m.Kind, m.Name, m.Against = "sweep", "I–V curve", against
		m.Sweep = &procedure.Sweep{
			Spacing: procedure.Spacing(f.Get("spacing")), From: r.quantity("from", m.Use.ForcedUnit()),
			To: r.quantity("to", m.Use.ForcedUnit()), Points: r.count("points", 10000), Back: f.Get("back") == "1",
		}
	default:
		r.ps.Add("do", "choose what to do")
	}
	m.Compliance = r.quantity("compliance", m.Use.SensedUnit())
	r.holds(&m, d)
	if m.Kind == "watch" && against != 0 {
		m.Hold = append(m.Hold, procedure.Hold{Pin: against, Use: procedure.UseReturn})
	}
	if v := f.Get("settle"); strings.TrimSpace(v) != "" {
		m.Settle.Time = r.quantity("settle", quantity.Second)
	}
	m.Aperture.Cycles = r.quantity("cycles", quantity.One)
	if len(r.ps) > 0 {
		return m, r.ps
	}
	return m, renamed(m, d)
}

// holds reads the rows of other pins.
func (r *manualFields) holds(m *procedure.Measurement, d *dut.Device) {
	for i, text := range r.f["hold-pin"] {
		if text == "" {
			continue
		}
		n, err := strconv.Atoi(text)
		if _, ok := d.Pin(n); err != nil || !ok {
			r.ps.Add("hold-pin", "row %d: pick a pin of the device", i+1)
			continue
		}
		h := procedure.Hold{Pin: n, Use: procedure.Use(at(r.f, "hold-use", i))}
		if h.Use.TakesChannel() {
			var err error
			if h.Level, err = quantity.Parse(at(r.f, "hold-level", i), h.Use.ForcedUnit()); err != nil {
				r.ps.Add(fmt.Sprintf("hold-level-%d", i+1), "%s", err.Error())
			}
			if h.Compliance, err = quantity.Parse(at(r.f, "hold-compliance", i), h.Use.SensedUnit()); err != nil {
				r.ps.Add(fmt.Sprintf("hold-compliance-%d", i+1), "%s", err.Error())
			}
		}
		m.Hold = append(m.Hold, h)
	}
}

func at(f url.Values, name string, i int) string {
	if v := f[name]; i < len(v) {
		return v[i]
	}
	return ""
}

// renamed checks the measurement and gives its problems the names of the form.
func renamed(m procedure.Measurement, d *dut.Device) error {
	k, ok := procedure.KindByKey(m.Kind)
	if !ok {
		return problem.Field("do", "choose what to do")
	}
	names := map[string]string{
		"pins[0]": "pin", "pins": "pin", "sweep.from": "from", "sweep.to": "to", "sweep.points": "points",
		"sweep.spacing": "spacing", "settle.time": "settle", "aperture.cycles": "cycles", "aperture": "cycles",
	}
	if m.Kind == "resistance" {
		names["level"] = "current"
	}
	var ps dut.Problems
	for _, p := range k.Validate(&m, d) {
		if to, ok := names[p.Field]; ok {
			p.Field = to
		} else if strings.HasPrefix(p.Field, "hold[") {
			p.Field = "hold-pin"
		}
		ps = append(ps, p)
	}
	return ps.Err()
}

// measureManual starts what a form asks for.
func (s *Server) measureManual(ctx context.Context, b *lab.Bench, who lab.Person, f url.Values) error {
	d, err := s.Store.GetDevice(ctx, f.Get("device"), 0)
	if err != nil {
		return err
	}
	m, err := manualMeasurement(f, &d.Body)
	if err != nil {
		return err
	}
	s.Lab.HoldStrapped(ctx, b, d.Body.Key, &m)
	form := maps.Clone(f)
	form.Del("confirm")
	_, err = s.Lab.Measure(ctx, b, who, d, m, form, f["confirm"])
	return err
}

// manualLive is the changing part of the manual page, from a snapshot of the run.
func manualLive(p web.RunProps) web.ManualProps {
	m := web.ManualProps{Device: &p.Record.Device, Pins: p.Pins, Plots: p.Plots, Working: p.Record.Status == procedure.Running}
	for i := range m.Pins {
		m.Pins[i].Href = "/manual?" + url.Values{"device": {p.Record.Device.Key}, "pin": {strconv.Itoa(m.Pins[i].Number)}}.Encode()
	}
	m.Values = bigValues(p)
	if p.Record.Reason != "" {
		m.Live = p.Record.Reason
	}
	return m
}

// bigValues are the newest V and I, and for the ohmmeter the result.
func bigValues(p web.RunProps) []web.BigValue {
	var out []web.BigValue
	for _, r := range slices.Concat(p.Results...) {
		if r.Key == "resistance" && !math.IsNaN(r.Value) {
			out = append(out, web.BigValue{Label: r.Name, Text: quantity.Pair(r.Value, r.U, r.Unit), Note: r.Note, Flags: r.Flags})
		}
	}
	if len(p.Latest) == 0 {
		return out
	}
	r := p.Latest[0]
	return append(out,
		web.BigValue{Label: "Voltage", Text: quantity.Format(r.V, quantity.Volt, 6), Flags: r.Flags &^ bench.OutOfLimit},
		web.BigValue{Label: "Current", Text: quantity.Format(r.I, quantity.Ampere, 5)})
}

// deviceOptions lists the devices that have a pin map on this bench.
func (s *Server) deviceOptions(ctx context.Context) ([]web.Option, error) {
	devices, err := s.Store.MappedDevices(ctx, s.bench(ctx).Definition.Key)
	return optionsOf(devices), err
}

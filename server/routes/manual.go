package routes

import (
	"context"
	"maps"
	"math"
	"net/url"
	"slices"
	"strconv"

	"ohmkeep/server/bench"
	"ohmkeep/server/form"
	"ohmkeep/server/lab"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/web"
)

// Manual work is a procedure of one measurement, run by the same executor
// under the same rules, but into memory. "Keep this" writes it to the store.

// entered returns the values of the manual form: those that were last entered,
// or the page's defaults where the last measurement came from elsewhere.
func entered(m *lab.Manual) url.Values {
	if m.Entered == nil && m.Device != "" {
		return manualValues(nil, m.Device)
	}
	return m.Entered
}

// measureManual starts the manual measurement that a form describes.
func (s *Server) measureManual(ctx context.Context, b *lab.Bench, who lab.Person, f url.Values) error {
	d, err := s.Store.GetDevice(ctx, f.Get("device"), 0)
	if err != nil {
		return err
	}
	m, ps := form.CheckManual(f, &d.Body)
	if len(ps) > 0 {
		return ps
	}
	s.Lab.HoldStrapped(ctx, b, d.Body.Key, &m)
	entered := maps.Clone(f)
	entered.Del("confirm")
	_, err = s.Lab.Measure(ctx, b, who, d, m, entered, f["confirm"])
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

// bigValues returns the values in large figures: the newest V and I, and for
// the ohmmeter the result.
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

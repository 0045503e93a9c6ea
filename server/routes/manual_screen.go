package routes

import (
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/web"
)

// manualLive is the changing part of the manual page, from a snapshot of the run.
func manualLive(p web.RunProps) web.ManualProps {
	m := web.ManualProps{Device: &p.Record.Device, Pins: p.Pins, Plots: p.Plots, Working: p.Record.Status == procedure.Running}
	for i := range m.Pins {
		m.Pins[i].Href = "/manual?" + url.Values{"device": {p.Record.Device.Key}, "pin": {strconv.Itoa(m.Pins[i].Number)}}.Encode()
	}
	m.Values = bigValues(p)
	if len(p.Record.Procedure.Measurements) > 0 && (len(m.Values) > 0 || len(m.Plots) > 0) {
		one := &p.Record.Procedure.Measurements[0]
		m.How = one.Name + ": " + strings.Join(one.Phrases(&p.Record.Device), ", ")
	}
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

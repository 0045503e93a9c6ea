package web

import (
	"fmt"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// short formats a value that somebody has set.
func short(v float64, unit quantity.Unit) string { return quantity.Short(v, unit) }

func pinLabel(n int, d *dut.Device) string {
	if p, ok := d.Pin(n); ok {
		return p.Label()
	}
	return fmt.Sprintf("pin %d", n)
}

// pinList formats a list of pins, folding long runs of them.
func pinList(pins []int, d *dut.Device) string { return procedure.PinWords(d, pins) }

// limitWords formats the limits of a result: "0.2 V to 0.9 V", "at most 1 µA".
func limitWords(low, high *float64, unit quantity.Unit) string {
	switch {
	case low != nil && high != nil:
		return short(*low, unit) + " to " + short(*high, unit)
	case low != nil:
		return "at least " + short(*low, unit)
	case high != nil:
		return "at most " + short(*high, unit)
	}
	return ""
}

// Limit is one line of the table of a measurement's limits.
type Limit struct{ Name, Words string }

// Limits lists the limits of a measurement in the order its kind derives them.
func Limits(m procedure.Measurement) []Limit {
	var out []Limit
	kind, known := procedure.KindByKey(m.Kind)
	if !known {
		return nil
	}
	for _, o := range kind.Outputs() {
		if l, ok := m.Limits[o.Key]; ok {
			if w := limitWords(l.Low, l.High, m.OutputUnit(o)); w != "" {
				out = append(out, Limit{o.Name, w})
			}
		}
	}
	return out
}

func kindTitle(key string) string {
	if kind, ok := procedure.KindByKey(key); ok {
		return kind.Title()
	}
	return key
}

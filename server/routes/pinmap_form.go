package routes

import (
	"fmt"
	"net/url"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// propose fills the form with a pin map made from the package.
func (s *Server) propose(m *mapping) {
	pm, says, err := bench.Propose(&s.at().Bench, &m.device)
	m.says = says
	if err != nil && len(pm.Contacts) == 0 {
		m.notice = sentence(err.Error()) + "."
	}
	m.fill(&s.at().Bench, &pm)
}

// fill writes a pin map into the form, and reads it back.
func (m *mapping) fill(def *bench.Definition, pm *bench.PinMap) {
	v := url.Values{}
	for _, p := range m.device.SortPins().Pins {
		v["pin"] = append(v["pin"], strconv.Itoa(p.Number))
		v["contact"] = append(v["contact"], numberOrNothing(pm.Contacts[p.Number]))
	}
	for _, t := range pm.Straps {
		to := ""
		switch t.Kind {
		case bench.StrapChannel:
			to = strconv.Itoa(int(t.Channel))
			if ch, ok := def.ChannelByID(t.Channel); ok && ch.Name != "" {
				to = ch.Name
			}
		case bench.StrapResistor:
			to = numberOrNothing(t.To)
		}
		addRow(v, strapColumns, strconv.Itoa(t.Contact), string(t.Kind), to, typedOrNothing(t.Resistance, quantity.Ohm))
	}
	if m.values != nil {
		v.Set("rev", m.values.Get("rev"))
	}
	m.values = v
	m.read(def)
}

var strapColumns = []string{"strapAt", "strapKind", "strapTo", "strapOhms"}

// read makes a pin map of the form and gathers what is wrong with it.
func (m *mapping) read(def *bench.Definition) {
	tidy(m.values, strapColumns)
	f := fields{values: m.values}
	m.pm = bench.PinMap{Device: m.device.Key, Bench: def.Key, Contacts: map[int]int{}}
	var pins []int
	typed := map[int]string{}
	for i := range formRows(m.values, []string{"pin"}) {
		if n, err := strconv.Atoi(cell(m.values, "pin", i)); err == nil {
			typed[n] = cell(m.values, "contact", i)
		}
	}
	// The device decides which pins there are: it may have changed since the
	// form was made.
	m.values["pin"], m.values["contact"] = nil, nil
	for _, p := range m.device.SortPins().Pins {
		pins = append(pins, p.Number)
		text := typed[p.Number]
		addRow(m.values, []string{"pin", "contact"}, strconv.Itoa(p.Number), text)
		if text == "" {
			continue
		}
		before := len(f.problems)
		if n := f.whole(fmt.Sprintf("contacts[%d]", p.Number), text); len(f.problems) == before {
			m.pm.Contacts[p.Number] = n
		}
	}
	for i := range formRows(m.values, strapColumns) {
		m.pm.Straps = append(m.pm.Straps, f.strap(def, i))
	}
	m.problems = f.problems
	if err := m.pm.Validate(def, pins); err != nil {
		for _, p := range problemsIn(err) {
			if !reported(f.problems, p.Field) {
				m.problems = append(m.problems, p)
			}
		}
	}
}

// reported tells whether a field could not even be read.
func reported(ps dut.Problems, field string) bool {
	for _, p := range ps {
		if p.Field == field || strings.HasSuffix(p.Field, ".to") && field == strings.TrimSuffix(p.Field, "to")+"channel" {
			return true
		}
	}
	return false
}

// strap reads row i of the straps.
func (f *fields) strap(def *bench.Definition, i int) bench.Strap {
	at := func(name string) string { return fmt.Sprintf("straps[%d].%s", i, name) }
	t := bench.Strap{Contact: f.whole(at("contact"), cell(f.values, "strapAt", i)), Kind: bench.StrapKind(cell(f.values, "strapKind", i))}
	to, ohms := cell(f.values, "strapTo", i), cell(f.values, "strapOhms", i)
	switch t.Kind {
	case bench.StrapChannel:
		for _, c := range def.Channels {
			if strings.EqualFold(c.Name, to) || to == strconv.Itoa(int(c.ID)) {
				t.Channel = c.ID
			}
		}
		if t.Channel == 0 {
			f.problems.Add(at("to"), "there is no channel %q on this bench", brief(to))
		}
	case bench.StrapResistor:
		if to != "" && !strings.EqualFold(to, "return") {
			t.To = f.whole(at("to"), to)
		}
		t.Resistance = f.quantity(at("resistance"), ohms, quantity.Ohm)
	case "":
		f.problems.Add(at("kind"), "choose how contact %s is strapped", brief(cell(f.values, "strapAt", i)))
	}
	if ohms != "" && (t.Kind == bench.StrapReturn || t.Kind == bench.StrapChannel) {
		f.problems.Add(at("resistance"), "a strap to the return or to a channel is a wire: choose “through a resistor”, or leave this empty")
	}
	return t
}

package routes

import (
	"ohmkeep/server/bench"
	"ohmkeep/server/form"
)

// propose fills the form with a pin map made from the package.
func (m *mapping) propose(def *bench.Definition) {
	pm, says, err := bench.Propose(def, &m.device)
	m.says = says
	if err != nil && len(pm.Contacts) == 0 {
		m.notice = sentence(err.Error()) + "."
	}
	m.fill(def, &pm)
}

// fill writes a pin map into the form and parses it back.
func (m *mapping) fill(def *bench.Definition, pm *bench.PinMap) {
	v := form.PinMapValues(pm, &m.device, def)
	if m.values != nil {
		v.Set("rev", m.values.Get("rev"))
	}
	m.values = v
	m.read(def)
}

// read parses the form into a pin map and gathers its problems.
func (m *mapping) read(def *bench.Definition) {
	m.pm, m.problems = form.CheckPinMap(m.values, &m.device, def)
}

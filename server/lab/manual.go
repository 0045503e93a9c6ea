package lab

import (
	"context"
	"maps"
	"slices"
	"strings"
	"sync"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
	"ohmkeep/store"
)

// Manual work is a procedure of one measurement, run by the same executor
// under the same rules, but into memory. Keeping it writes it to the store.

// Manual is what was last measured by hand on a bench.
type Manual struct {
	ID     string
	Memory *run.Memory // nil where nothing was measured yet
	Device string      // its key
	// Entered is what was entered for it, for whoever shows it again.
	Entered map[string][]string
	Kept    string // id of the run that it was kept as
}

// manual is the state of manual work on one bench.
type manual struct {
	start sync.Mutex // one piece of work begins, or is kept, at a time
	mu    sync.Mutex
	last  Manual
}

// swap puts other work in place and returns what was there.
func (m *manual) swap(w Manual) Manual {
	m.mu.Lock()
	defer m.mu.Unlock()
	w, m.last = m.last, w
	return w
}

// Manual is what was last measured by hand; the zero one where nothing was.
func (b *Bench) Manual() Manual {
	b.manual.mu.Lock()
	defer b.manual.mu.Unlock()
	return b.manual.last
}

// Held is what memory holds of the last manual work, and the run that it was
// kept as. Work that has not begun has nothing: problem.NotFound.
func (b *Bench) Held() (h run.Held, kept string, err error) {
	m := b.Manual()
	if m.Memory == nil {
		return h, "", problem.NoSuch("measurement by hand yet")
	}
	if h = m.Memory.Held(); h.Record.ID == "" {
		return h, "", problem.NoSuch("measurement by hand yet: it is just beginning")
	}
	return h, m.Kept, nil
}

// IsManual reports whether a run is manual work that is only in memory.
func (b *Bench) IsManual(id string) bool { return id != "" && id == b.Manual().ID }

func (l *Lab) isManual(id string) bool {
	return slices.ContainsFunc(l.Benches(), func(b *Bench) bool { return b.IsManual(id) })
}

// Measure carries out one measurement of a device by hand and returns its id.
// entered is kept to be shown again.
func (l *Lab) Measure(ctx context.Context, b *Bench, who Person, d *store.Revised[dut.Device], m procedure.Measurement,
	entered map[string][]string, confirm []string) (string, error) {
	rec := &procedure.Record{
		Device: d.Body, DeviceRev: d.Rev, Manual: true,
		Procedure: procedure.Procedure{Key: "manual", Name: m.Name, Device: d.Body.Key, Measurements: []procedure.Measurement{m}},
	}
	return l.startManual(ctx, b, who, rec, entered, launch{confirm: confirm})
}

// startManual carries out manual work in memory. It is known as such before it
// begins, so that it can be stopped from its first moment.
func (l *Lab) startManual(ctx context.Context, b *Bench, who Person, rec *procedure.Record, entered map[string][]string, how launch) (id string, err error) {
	b.manual.start.Lock()
	defer b.manual.start.Unlock()
	if rec.ID == "" {
		if rec.ID, err = run.NewID(); err != nil {
			return "", err
		}
	}
	// What is at work by hand stays the last of it until nothing is in the way:
	// a stop would miss it otherwise.
	if err := b.mayBegin(); err != nil {
		return "", err
	}
	memory := run.NewMemory(0)
	how.to = memory
	before := b.manual.swap(Manual{ID: rec.ID, Memory: memory, Device: rec.Device.Key, Entered: entered})
	if id, err = l.launch(ctx, b, who, rec, how); err != nil {
		b.manual.swap(before)
	}
	return id, err
}

// HoldStrapped has a measurement hold the pins that the device board straps to
// its second terminal as that terminal is held: they cannot be left open.
func (l *Lab) HoldStrapped(ctx context.Context, b *Bench, device string, m *procedure.Measurement) {
	if pm, _, err := l.pinMap(ctx, b, device); err == nil {
		m.Hold = append(m.Hold, strappedAlong(m, pm)...)
	}
}

func strappedAlong(m *procedure.Measurement, pm *bench.PinMap) []procedure.Hold {
	channelOf := func(pin int) bench.ChannelID {
		for _, st := range pm.StrapsOf(pm.Contacts[pin]) {
			if st.Kind == bench.StrapChannel {
				return st.Channel
			}
		}
		return 0
	}
	on := channelOf(m.Against)
	if m.Against == 0 || on == 0 {
		return nil
	}
	var out []procedure.Hold
	for _, pin := range slices.Sorted(maps.Keys(pm.Contacts)) {
		named := pin == m.Against || slices.Contains(m.Pins, pin) ||
			slices.ContainsFunc(m.Hold, func(h procedure.Hold) bool { return h.Pin == pin })
		if !named && channelOf(pin) == on {
			out = append(out, procedure.Hold{Pin: pin, Use: procedure.UseReturn})
		}
	}
	return out
}

// StopManual ends manual work.
func (l *Lab) StopManual(ctx context.Context, b *Bench, who Person) error {
	m := b.Manual()
	if m.Memory == nil {
		return problem.NoSuch("measurement by hand yet")
	}
	return l.Stop(ctx, who, m.ID)
}

// KeepManual writes the last manual work to the store, as a run of a unit, and
// returns its id.
func (l *Lab) KeepManual(ctx context.Context, b *Bench, who Person, unit dut.Unit, note string) (string, error) {
	b.manual.start.Lock()
	defer b.manual.start.Unlock()
	m := b.Manual()
	if m.Memory == nil {
		return "", problem.New(problem.Conflict, "Nothing has been measured by hand yet.")
	}
	if m.Kept != "" {
		return m.Kept, nil // twice is fine
	}
	if m.Device == BareContacts {
		return "", problem.New(problem.Conflict, whyBareIsNotKept)
	}
	unit = dut.Unit{Serial: strings.TrimSpace(unit.Serial), Lot: strings.TrimSpace(unit.Lot)}
	var ps dut.Problems
	CheckLine(&ps, "serial", unit.Serial, MaxSerial)
	CheckLine(&ps, "lot", unit.Lot, MaxSerial)
	CheckNote(&ps, note)
	if unit.Serial == "" {
		ps.Add("serial", "say which unit this was")
	}
	if err := ps.Err(); err != nil {
		return "", err
	}
	if b.Station.StopRun(m.ID, "kept by "+who.Name) {
		if err := b.Station.Wait(ctx); err != nil {
			return "", err
		}
	}
	m.Memory.Describe(unit, note)
	if err := m.Memory.Replay(ctx, l.Store); err != nil {
		return "", err
	}
	b.manual.mu.Lock()
	b.manual.last.Kept = m.ID
	b.manual.mu.Unlock()
	l.Note(ctx, who, "keep manual work", m.ID, unit.Serial)
	return m.ID, nil
}

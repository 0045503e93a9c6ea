package liverun

import (
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"

	"ohmkeep/server/bench"
	"ohmkeep/server/live"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
)

// LatestRows is how many of the newest readings a page lists.
const LatestRows = 12

// PartKind is a kind of part of a run's page.
type PartKind int

// The parts. Line and Results are there for each measurement, Pin for each pin
// of the device.
const (
	Status PartKind = iota
	Stop
	Plot
	Latest
	NoResults
	PinPart // N is the pin's number
	Line    // N is the measurement's index
	Results // N is the measurement's index
)

// Part is one part of a run's page, N where there are many of a kind.
type Part struct {
	Kind PartKind
	N    int
}

// Pin is the present state of a pin of the device.
type Pin struct {
	Number  int
	Use     procedure.Use // UseOpen or "": connected to nothing
	Channel bench.ChannelID
	Level   float64 // set on the channel, V or A by Use
	V, I    float64 // last sensed; NaN: not since it was connected
	Flags   bench.Flags
}

// same reports whether two states of a pin look the same. A quantity that has
// not been sensed is the same as before: it must not have its pin drawn again.
func (p *Pin) same(o *Pin) bool {
	a, b := *p, *o
	a.V, a.I, b.V, b.I = 0, 0, 0, 0
	return a == b && sameNumber(p.V, o.V) && sameNumber(p.I, o.I)
}

func sameNumber(a, b float64) bool { return a == b || a != a && b != b }

// Screen renders what a run shows. It is used by one goroutine at a time.
type Screen interface {
	// Draw renders the parts that have changed, as HTML by element id. Shared is
	// for those who came by a share link.
	Draw(s *Snapshot, changed []Part, shared bool) map[string]string
	// Head renders what shows the bench's state, for those who are signed in.
	Head() map[string]string
}

// liveRun is the state of a run at work that pages show, in bounded memory.
// Taking in and looking are quick and hold the lock; drawing works on a
// snapshot and holds up nobody.
type liveRun struct {
	topic  *live.Topic
	log    *slog.Logger
	screen Screen
	draws  sync.Mutex  // one drawing at a time, so that frames go out in order
	head   atomic.Bool // the bench's state is to be shown anew
	done   chan struct{}
	once   sync.Once
	told   map[string]bool // what went wrong and has been logged; under draws

	mu       sync.Mutex
	shared   *live.Topic // nil until somebody comes by a share link
	rec      procedure.Record
	at       run.Progress
	pins     []Pin
	pinAt    map[int]int
	results  [][]procedure.Result       // by measurement
	byID     map[procedure.ResultID]int // place among its measurement's
	lent     []bool                     // a snapshot has the measurement's results: write elsewhere
	pictures map[int]*Picture
	keptOf   map[int]int64           // how many readings of a picture are kept
	gone     map[int]bool            // pictures that only the store has
	lost     map[int]error           // pictures that could not be gathered
	latest   map[int][]bench.Reading // newest last
	dirty    map[Part]bool
}

func newLiveRun(rec *procedure.Record, topic *live.Topic, log *slog.Logger) *liveRun {
	n := len(rec.Procedure.Measurements)
	b := &liveRun{
		topic: topic, log: log, rec: *rec, done: make(chan struct{}), told: map[string]bool{},
		pinAt: map[int]int{}, results: make([][]procedure.Result, n), lent: make([]bool, n),
		byID: map[procedure.ResultID]int{}, pictures: map[int]*Picture{}, keptOf: map[int]int64{}, gone: map[int]bool{}, lost: map[int]error{},
		latest: map[int][]bench.Reading{}, dirty: map[Part]bool{},
	}
	for i, p := range rec.Device.Pins {
		b.pins = append(b.pins, Pin{Number: p.Number, V: nan, I: nan})
		b.pinAt[p.Number] = i
	}
	b.at.Left = -1
	b.at.Done = make([]bool, n)
	b.touchAll()
	return b
}

// touchAll marks every part as changed.
func (b *liveRun) touchAll() {
	b.touch(Part{Status, 0}, Part{Stop, 0}, Part{Plot, 0}, Part{Latest, 0}, Part{NoResults, 0})
	for _, p := range b.pins {
		b.touch(Part{PinPart, p.Number})
	}
	for m := range b.results {
		b.touchMeasurement(m)
	}
}

// touchMeasurement marks a measurement's line and results as changed. The
// topic keeps back what turns out the same.
func (b *liveRun) touchMeasurement(m int) {
	if m >= 0 && m < len(b.results) {
		b.touch(Part{Line, m}, Part{Results, m})
	}
}

func (b *liveRun) touch(parts ...Part) {
	for _, p := range parts {
		b.dirty[p] = true
	}
}

// observe adds one update to the state. It draws nothing, so that the
// committer does not wait: the loop draws, on a snapshot.
func (b *liveRun) observe(u run.Update) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.advance(u.Progress)
	for _, mr := range u.Batch.Readings {
		b.gather(mr)
	}
	for _, r := range u.Batch.Results {
		b.result(r)
	}
	if len(u.Batch.Results) > 0 {
		b.touch(Part{NoResults, 0})
	}
	if u.Pins != nil {
		b.connect(u.Pins)
	}
	if u.Ending != nil {
		b.rec.Status, b.rec.Outcome = u.Ending.Status, u.Ending.Outcome
		b.rec.Ended, b.rec.Reason = u.Ending.Ended, u.Ending.Reason
		b.touchAll()
		b.finish()
	}
}

// advance updates the run's progress. Lines of measurements that stand as they
// did are not drawn again.
func (b *liveRun) advance(at run.Progress) {
	was := b.at
	b.at = at
	b.rec.Readings = at.Readings
	b.touch(Part{Status, 0})
	if at.Measurement >= 0 && at.Measurement < len(b.results) {
		b.touch(Part{Line, at.Measurement})
	}
	if was.Measurement != at.Measurement {
		b.touch(Part{Plot, 0}, Part{Latest, 0})
		b.touchMeasurement(was.Measurement)
		b.touchMeasurement(at.Measurement)
	}
	for m := range max(len(was.Done), len(at.Done)) {
		if isDone(was, m) != isDone(at, m) {
			b.touchMeasurement(m)
		}
	}
}

func isDone(at run.Progress, m int) bool { return m < len(at.Done) && at.Done[m] }

func (b *liveRun) finish() { b.once.Do(func() { close(b.done) }) }

// gather adds readings to their measurement's picture. A picture that fails is
// given up, and the run goes on: what was read is on the disk.
func (b *liveRun) gather(mr procedure.MeasurementReadings) {
	if len(mr.Readings) == 0 {
		return
	}
	m := mr.Measurement
	b.touch(Part{Plot, 0}, Part{Latest, 0})
	b.latest[m] = newest(b.latest[m], mr.Readings)
	if b.lost[m] != nil || b.gone[m] {
		return
	}
	if err := live.Protected(func() error { b.picture(m).Add(mr.Readings); return nil }); err != nil {
		delete(b.pictures, m)
		b.lost[m] = err
		b.log.Error("picture not gathered", "run", b.rec.ID, "measurement", m, "err", err)
	}
}

// newest returns the last rows of kept followed by more.
func newest(kept, more []bench.Reading) []bench.Reading {
	if len(more) >= LatestRows {
		return append(kept[:0], more[len(more)-LatestRows:]...)
	}
	if over := len(kept) + len(more) - LatestRows; over > 0 {
		kept = append(kept[:0], kept[over:]...)
	}
	return append(kept, more...)
}

func (b *liveRun) picture(m int) *Picture {
	p := b.pictures[m]
	if p == nil {
		p = NewPicture(ShapeOf(&b.rec, m))
		b.pictures[m] = p
	}
	return p
}

func (b *liveRun) result(r procedure.Result) {
	m := r.Measurement
	if m < 0 || m >= len(b.results) {
		return
	}
	b.touchMeasurement(m)
	if _, known := b.pinAt[r.Pin]; known {
		b.touch(Part{PinPart, r.Pin})
	}
	id := r.ID()
	i, known := b.byID[id]
	if !known {
		b.byID[id] = len(b.results[m])
		b.results[m] = append(b.results[m], r) // behind what any snapshot looks at
		return
	}
	if b.lent[m] {
		b.results[m], b.lent[m] = slices.Clone(b.results[m]), false
	}
	b.results[m][i] = r
}

// connect updates the connection of each pin. V and I of a pin that is open
// again stay: they are its last readings.
func (b *liveRun) connect(pins []run.PinState) {
	was := slices.Clone(b.pins)
	for i := range b.pins {
		b.pins[i].Use, b.pins[i].Channel = procedure.UseOpen, 0
	}
	for _, s := range pins {
		if i, known := b.pinAt[s.Pin]; known {
			b.pins[i] = Pin{s.Pin, s.Use, s.Channel, s.Level, s.V, s.I, s.Flags}
		}
	}
	for i := range b.pins {
		if !b.pins[i].same(&was[i]) {
			b.touch(Part{PinPart, b.pins[i].Number})
		}
	}
}

// ShapeOf returns the shape of a recorded measurement: how its readings are
// drawn.
func ShapeOf(rec *procedure.Record, m int) procedure.Shape {
	if m >= 0 && m < len(rec.Procedure.Measurements) {
		mm := &rec.Procedure.Measurements[m]
		if k, ok := procedure.KindByKey(mm.Kind); ok {
			return k.Shape(mm, &rec.Device)
		}
	}
	return procedure.Shape{
		X: procedure.Axis{Quantity: procedure.QuantityTime, Label: "Time", Unit: "s"},
		Y: procedure.Axis{Quantity: procedure.QuantityVoltage, Label: "Voltage", Unit: "V"},
	}
}

package routes

import (
	"context"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/live"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
	"ohmkeep/web"
)

// board gathers what a run has produced so far, in bounded memory, and draws
// what changed.
type board struct {
	topic *live.Topic
	paint *live.Painter
	brief func(context.Context) web.BenchBrief
	draws sync.Mutex // one drawing at a time, so that frames go out in order
	// changed says that the bench's state is to be shown anew.
	changed atomic.Bool
	done    chan struct{} // closed when the run has ended
	once    sync.Once

	mu      sync.Mutex
	shared  *live.Topic // nil until somebody comes by a share link
	rec     procedure.Record
	at      run.Progress
	pins    []web.PinMark
	pinAt   map[int]int
	results [][]procedure.Result       // by measurement
	byID    map[procedure.ResultID]int // place among its measurement's
	curves  map[int]*curves
	latest  map[int][]bench.Reading // newest last
	dirty   map[string]bool
}

func newBoard(rec *procedure.Record, topic *live.Topic, log *slog.Logger) *board {
	b := &board{
		topic: topic, paint: newPainter(log, runTopic(rec.ID)), rec: *rec, done: make(chan struct{}),
		pins: web.Marks(&rec.Device), pinAt: map[int]int{},
		byID: map[procedure.ResultID]int{}, curves: map[int]*curves{},
		latest: map[int][]bench.Reading{}, dirty: map[string]bool{},
	}
	for i, p := range b.pins {
		b.pinAt[p.Number] = i
	}
	b.at.Left = -1
	b.at.Done = make([]bool, len(rec.Procedure.Measurements))
	b.results = make([][]procedure.Result, len(rec.Procedure.Measurements))
	b.touchAll()
	return b
}

func (b *board) touchAll() { b.touch(web.RunParts(&b.rec)...) }

// touchMeasurement has a measurement's line and results drawn anew. The topic
// keeps back what turns out the same.
func (b *board) touchMeasurement(m int) {
	if m >= 0 && m < len(b.results) {
		b.touch(web.PartRunLine(m), web.PartRunResults(m))
	}
}

func (b *board) touch(parts ...string) {
	for _, p := range parts {
		b.dirty[p] = true
	}
}

// observe takes one update in. It returns at once: drawing is the loop's.
func (b *board) observe(u run.Update) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.advance(u.Progress)
	was := slices.Clone(b.pins)
	for _, mr := range u.Batch.Readings {
		b.gather(mr)
	}
	if len(u.Batch.Results) > 0 {
		for _, r := range u.Batch.Results {
			b.result(r)
		}
		web.JudgePins(b.pins, b.results...)
		b.touch(web.PartRunNoResults)
	}
	if u.Pins != nil {
		b.connect(u.Pins)
	}
	for i, p := range b.pins {
		if !p.Same(was[i]) {
			b.touch(web.PartRunPin(p.Number), web.PartRunDrawn(p.Number))
		}
	}
	if u.Ending != nil {
		b.rec.Status, b.rec.Outcome = u.Ending.Status, u.Ending.Outcome
		b.rec.Ended, b.rec.Reason = u.Ending.Ended, u.Ending.Reason
		b.touchAll()
		b.finish()
	}
}

// advance takes in where the run stands. Lines of measurements that stand as
// they did are not drawn again.
func (b *board) advance(at run.Progress) {
	was := b.at
	b.at = at
	b.rec.Readings = at.Readings
	b.touch(web.PartRunStatus)
	if at.Measurement >= 0 && at.Measurement < len(b.results) {
		b.touch(web.PartRunLine(at.Measurement))
	}
	if was.Measurement != at.Measurement {
		b.touch(web.PartRunPlot, web.PartRunLatest)
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

func (b *board) finish() { b.once.Do(func() { close(b.done) }) }

func (b *board) gather(mr procedure.MeasurementReadings) {
	if len(mr.Readings) == 0 {
		return
	}
	b.curvesOf(mr.Measurement).add(mr.Readings)
	b.latest[mr.Measurement] = newest(b.latest[mr.Measurement], mr.Readings)
	b.touch(web.PartRunPlot, web.PartRunLatest)
}

// newest keeps the last rows of kept followed by more.
func newest(kept, more []bench.Reading) []bench.Reading {
	if len(more) >= latestRows {
		return append(kept[:0], more[len(more)-latestRows:]...)
	}
	if over := len(kept) + len(more) - latestRows; over > 0 {
		kept = append(kept[:0], kept[over:]...)
	}
	return append(kept, more...)
}

func (b *board) curvesOf(m int) *curves {
	c := b.curves[m]
	if c == nil {
		c = newCurves(shapeOf(&b.rec, m))
		b.curves[m] = c
	}
	return c
}

func (b *board) result(r procedure.Result) {
	if r.Measurement < 0 || r.Measurement >= len(b.results) {
		return
	}
	b.touchMeasurement(r.Measurement)
	id, of := r.ID(), &b.results[r.Measurement]
	if i, known := b.byID[id]; known {
		(*of)[i] = r
		return
	}
	b.byID[id] = len(*of)
	*of = append(*of, r)
}

func (b *board) connect(pins []run.PinState) {
	for i := range b.pins {
		p := &b.pins[i]
		p.Use, p.Channel = procedure.UseOpen, ""
	}
	for _, s := range pins {
		i, known := b.pinAt[s.Pin]
		if !known {
			continue
		}
		p := &b.pins[i]
		p.Use, p.Level, p.Flags = s.Use, s.Level, s.Flags
		p.Channel = channelName(&b.rec.Bench, s.Channel)
		p.V, p.I = s.V, s.I // NaN: not read since it was connected
	}
}

func channelName(def *bench.Definition, id bench.ChannelID) string {
	ch, ok := def.ChannelByID(id)
	if !ok {
		return ""
	}
	return ch.Name
}

// loop draws once a tick until the run has ended, and then once more.
func (b *board) loop() {
	t := time.NewTicker(tick)
	defer t.Stop()
	for {
		select {
		case <-t.C:
			b.draw()
		case <-b.done:
			b.last()
			return
		}
	}
}

// draw publishes what has changed since the last time.
func (b *board) draw() {
	b.draws.Lock()
	defer b.draws.Unlock()
	b.mu.Lock()
	parts, shared, to := b.renderLocked()
	b.mu.Unlock()
	b.topic.Publish(b.withBench(parts))
	if to != nil {
		to.Publish(shared)
	}
}

// last publishes the end of the run.
func (b *board) last() {
	b.draws.Lock()
	defer b.draws.Unlock()
	b.mu.Lock()
	parts, shared, to := b.renderLocked()
	b.mu.Unlock()
	b.topic.End(b.withBench(parts))
	if to != nil {
		to.End(shared)
	}
}

// withBench adds the head of the page where the bench's state has changed.
func (b *board) withBench(parts map[string]string) map[string]string {
	if b.brief == nil || !b.changed.Swap(false) {
		return parts
	}
	if parts == nil {
		parts = map[string]string{}
	}
	for id, c := range web.BenchParts(b.brief(context.Background())) {
		b.drawPart(parts, id, func() live.Component { return c })
	}
	return parts
}

// renderLocked draws the parts that have changed, for both streams.
func (b *board) renderLocked() (parts, shared map[string]string, to *live.Topic) {
	if len(b.dirty) == 0 {
		return nil, nil, b.shared
	}
	props := b.propsLocked()
	parts = b.drawParts(props)
	if b.shared != nil {
		// Relative links lead back to the share link, whichever it is.
		props.Shared, props.Base = true, ""
		shared = b.drawParts(props)
	}
	clear(b.dirty)
	return parts, shared, b.shared
}

func (b *board) drawParts(props web.RunProps) map[string]string {
	parts := make(map[string]string, len(b.dirty))
	if b.rec.Manual {
		m := manualLive(props)
		b.drawPart(parts, web.PartManualPins, func() live.Component { return web.ManualPins(m) })
		b.drawPart(parts, web.PartManualStop, func() live.Component { return web.ManualStop(m) })
		b.drawPart(parts, web.PartManualLive, func() live.Component { return web.ManualLive(m) })
		return parts
	}
	for id := range b.dirty {
		b.drawPart(parts, id, func() live.Component { return web.RunPart(id, props) })
	}
	return parts
}

func (b *board) drawPart(parts map[string]string, id string, part func() live.Component) {
	parts[id] = b.paint.Paint(context.Background(), id, part)
}

// propsLocked is the run page as of now, following the measurement at work.
// Its results are the board's own: to be drawn under the lock.
func (b *board) propsLocked() web.RunProps {
	m := b.at.Measurement
	p := web.RunProps{
		Base: "/runs/" + b.rec.ID, Record: b.rec, Progress: webProgress(b.at),
		Pins: slices.Clone(b.pins), Results: b.results, Selected: m, Follow: true,
	}
	b.selectLocked(&p, m)
	return p
}

// selectLocked puts the plots and readings of measurement m on the page.
func (b *board) selectLocked(p *web.RunProps, m int) {
	p.Selected = m
	if m >= 0 && m < len(b.rec.Procedure.Measurements) {
		p.Plots = []web.Plot{b.curvesOf(m).plot("plot", b.rec.Procedure.Measurements[m].Name, &b.rec.Device)}
	}
	p.Latest = slices.Clone(b.latest[m])
	slices.Reverse(p.Latest)
}

// props is the run page as of now, with the number of the stream it
// corresponds to. m < 0 follows the measurement at work.
func (b *board) props(m int) (web.RunProps, uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	seq := b.topic.Seq() // before what is not drawn yet, so nothing is missed
	p := b.propsLocked()
	p.Results = slices.Clone(p.Results)
	for i := range p.Results {
		p.Results[i] = slices.Clone(p.Results[i])
	}
	if m >= 0 {
		p.Follow = false
		b.selectLocked(&p, m)
	}
	return p, seq
}

func webProgress(p run.Progress) web.Progress {
	return web.Progress{
		Measurement: p.Measurement, Point: p.Point, Points: p.Points, Done: p.Done,
		Elapsed: p.Elapsed, Left: p.Left, Readings: p.Readings,
	}
}

// shapeOf says how the readings of a recorded measurement are drawn.
func shapeOf(rec *procedure.Record, m int) procedure.Shape {
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

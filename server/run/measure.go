package run

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

const (
	// handEvery and handFull are the time and the number of readings after
	// which the measuring goroutine hands over to the committer.
	handEvery = 10 * time.Millisecond
	handFull  = 8 << 10
	// longWait is the shortest wait before which it hands over what it has, so
	// that nobody waits for readings that are there.
	longWait = 5 * time.Millisecond
)

// errFailed is the error that ends a procedure at its first fail, where the
// procedure asks for it.
var errFailed = errors.New("stopped at the first fail, as the procedure asks")

// errFailedHere is the error that ends a procedure after a failed measurement,
// where the measurement asks for it.
var errFailedHere = errors.New("stopped after a fail, as the measurement asks")

// measurer is the measuring end of a run: it carries out the plan, in the one
// goroutine that uses the link.
type measurer struct {
	driver
	rec    *procedure.Record
	plan   *plan
	pipe   *pipe
	failed func() bool // whether the measurement committed last has a fail
	start  time.Time   // zero of the readings' time, on the bench's clock

	step    *step
	stepAt  int // index in the plan
	attempt int // at the step, from 0
	load    load
	pins    []PinState // of the connected pins, by conn
	pinsNew bool
	nominal time.Duration // planned time of what is done
	planned time.Duration // the same, of whole measurements
	lookout lookout
	samples []bench.Sample
	readers
}

func (x *measurer) run(ctx context.Context) error {
	x.lookout.handed()
	x.load.progress.Done = make([]bool, len(x.rec.Procedure.Measurements))
	for i, s := range x.plan.steps {
		x.step, x.stepAt = s, i
		for x.attempt = 0; ; x.attempt++ {
			if err := x.measure(ctx); err != nil {
				return err
			}
			if x.attempt >= s.Measurement.Retest || !x.failed() {
				break
			}
			x.load.progress.Done[s.Index] = false
		}
		x.planned += s.Nominal
		if stop := x.stopsAt(s); stop != nil && x.failed() {
			if err := x.tidy(ctx); err != nil {
				return err
			}
			return stop
		}
	}
	return x.tidy(ctx)
}

// stopsAt returns the error that ends the run if a measurement fails, nil
// where the run goes on.
func (x *measurer) stopsAt(s *step) error {
	switch {
	case x.rec.Procedure.StopOnFail:
		return errFailed
	case s.Measurement.StopOnFail:
		return errFailedHere
	}
	return nil
}

// tidy takes everything down in order at the end.
func (x *measurer) tidy(ctx context.Context) error {
	if err := x.finish(ctx); err != nil {
		return err
	}
	x.pins, x.pinsNew = x.pins[:0], true
	return x.hand(ctx, nil)
}

// measure carries out one measurement.
func (x *measurer) measure(ctx context.Context) error {
	x.load.progress.Measurement, x.load.progress.Points = x.step.Index, x.step.Points
	seg, inSeg, point := 0, 0, 0
	x.nominal = x.planned
	for pt := range x.step.Kind.Points(x.step.Measurement, &x.rec.Device) {
		if seg == len(x.step.Segments) {
			return fmt.Errorf("measurement %d has more points than planned", x.step.Index+1)
		}
		x.load.progress.Point = point
		if err := x.point(ctx, x.step.Segments[seg], &pt, uint32(point)); err != nil {
			return err
		}
		point++
		if inSeg++; inSeg == x.step.Segments[seg].Points {
			seg, inSeg = seg+1, 0
		}
	}
	x.nominal = x.planned + x.step.Nominal
	x.load.progress.Point = point
	x.load.progress.Done[x.step.Index] = true
	x.load.spans = append(x.load.spans, span{step: x.stepAt, attempt: x.attempt, end: true})
	if x.stopsAt(x.step) == nil && x.attempt >= x.step.Measurement.Retest {
		return x.hand(ctx, nil)
	}
	ack := make(chan struct{})
	if err := x.hand(ctx, ack); err != nil {
		return err
	}
	select {
	case <-ack:
		return ctx.Err()
	case <-ctx.Done():
		return ctx.Err()
	}
}

// point applies, settles and reads.
func (x *measurer) point(ctx context.Context, seg *procedure.Segment, pt *procedure.Point, index uint32) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	moved := seg != x.seg
	if moved {
		// What was read so far need not wait for the switching.
		if err := x.handIfDue(ctx, 0); err != nil {
			return err
		}
	}
	if err := x.apply(ctx, seg, pt); err != nil {
		return err
	}
	x.showPins(seg, moved)
	aperture := pt.Aperture.ApertureSeconds(x.rec.Bench.LineHz)
	x.readers.find(seg, pt, x.set, aperture*x.rec.Bench.LineHz, moved || pt.ReadBack)
	settled, err := x.settle(ctx, pt, seconds(aperture))
	if err != nil {
		return err
	}
	if err := x.read(ctx, pt, index, aperture, settled); err != nil {
		return err
	}
	x.nominal += pt.Nominal(x.rec.Bench.LineHz)
	return nil
}

// showPins brings up to date what every pin is connected to and set to.
func (x *measurer) showPins(seg *procedure.Segment, moved bool) {
	if moved {
		x.pins = x.pins[:0]
		for _, c := range seg.Conns {
			s := PinState{Pin: c.Pin, Use: c.Use, Path: c.Path, V: math.NaN(), I: math.NaN()}
			if c.Drive >= 0 {
				s.Channel = seg.Drives[c.Drive].Channel.ID
			}
			x.pins = append(x.pins, s)
		}
	}
	for i, c := range seg.Conns {
		if c.Drive >= 0 {
			x.pins[i].Level = x.set[c.Drive].Level
		}
	}
	x.pinsNew = true
}

// wait sleeps on the bench's clock; before a long wait what has been read is
// handed over.
func (x *measurer) wait(ctx context.Context, d time.Duration) error {
	if err := x.handIfDue(ctx, d); err != nil {
		return err
	}
	if d <= 0 {
		return nil // handIfDue has asked the context
	}
	x.lookout.passed(d)
	return x.clock.Sleep(ctx, d)
}

// settle waits as the point asks and reports whether it became stable.
func (x *measurer) settle(ctx context.Context, pt *procedure.Point, aperture time.Duration) (bool, error) {
	if err := x.wait(ctx, seconds(pt.Settle.Time)); err != nil {
		return false, err
	}
	if !pt.Settle.UntilStable || x.own == 0 {
		return true, nil
	}
	begun := x.clock.Now()
	within := seconds(pt.Settle.Within)
	most := 2 + int(within/max(aperture, time.Microsecond)) // in case the clock stands still
	var before []bench.Sample
	for range most {
		if err := x.sense(ctx, x.channels[:x.own], aperture); err != nil {
			return false, err
		}
		if before != nil && x.stable(before, pt.Settle.Tolerance) {
			return true, nil
		}
		before = append(before[:0], x.samples...)
		if x.clock.Now().Sub(begun) >= within {
			break
		}
	}
	return false, nil
}

// stable compares two readings of every channel in the quantity that is not
// forced. A difference that noise and the converter's step explain (3 standard
// deviations of the difference, one step) counts as none; where no range is known
// nothing is explained.
func (x *measurer) stable(before []bench.Sample, tolerance float64) bool {
	for _, r := range x.reads[:x.measured] {
		forcesI := x.set[r.drive].Mode == bench.ForceCurrent
		a, b := before[r.sample].I, x.samples[r.sample].I
		if forcesI {
			a, b = before[r.sample].V, x.samples[r.sample].V
		}
		var rng bench.Range
		switch {
		case r.sense == nil:
		case forcesI:
			rng = r.sense.V.Range
		default:
			rng = r.sense.I.Range
		}
		slack := rng.Step + 3*math.Sqrt2*rng.Noise
		if !(math.Abs(a-b) <= max(tolerance*math.Abs(b), slack)) {
			return false
		}
	}
	return true
}

// sense reads channels once, together.
func (x *measurer) sense(ctx context.Context, channels []bench.ChannelID, aperture time.Duration) error {
	if aperture >= longWait {
		if err := x.handIfDue(ctx, aperture); err != nil {
			return err
		}
	}
	x.lookout.passed(aperture)
	var err error
	x.samples, err = x.link.Read(ctx, channels, aperture, x.samples[:0])
	if err == nil && len(x.samples) != len(channels) {
		err = fmt.Errorf("%d samples came from %d channels", len(x.samples), len(channels))
	}
	return linked("reading", err)
}

// read takes the point's readings.
func (x *measurer) read(ctx context.Context, pt *procedure.Point, index uint32, aperture float64, settled bool) error {
	if x.own == 0 {
		return nil
	}
	base := bench.Reading{Point: index, Group: pt.Group}
	if !settled {
		base.Flags = bench.NotSettled
	}
	if pt.Auxiliary {
		base.Flags |= bench.Auxiliary
	}
	var begun time.Time
	if pt.Interval > 0 {
		begun = x.clock.Now()
	}
	for k := range max(pt.Count, 1) {
		if k > 0 && pt.Interval > 0 {
			due := begun.Add(seconds(float64(k) * pt.Interval))
			if err := x.wait(ctx, due.Sub(x.clock.Now())); err != nil {
				return err
			}
		}
		channels, reads := x.channels, x.reads // with the levels that are held, once
		if k > 0 {
			channels, reads = x.channels[:x.own], x.reads[:x.measured]
		}
		if err := x.sense(ctx, channels, seconds(aperture)); err != nil {
			return err
		}
		for i := range reads {
			x.keep(&reads[i], base)
		}
		if err := x.handIfDue(ctx, 0); err != nil {
			return err
		}
	}
	return nil
}

// handIfDue hands over when the time or the amount has come, or when a long
// wait follows.
func (x *measurer) handIfDue(ctx context.Context, wait time.Duration) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if len(x.load.readings) == 0 && !x.pinsNew {
		return nil
	}
	if wait < longWait && len(x.load.readings) < handFull && !x.lookout.due() {
		return nil
	}
	return x.hand(ctx, nil)
}

// hand passes everything on to the committer. The bench is asked for faults
// first: what was read since it was last asked is marked if it has any, and
// the run ends.
func (x *measurer) hand(ctx context.Context, ack chan struct{}) error {
	faults, err := x.link.Faults(ctx)
	if err != nil {
		return linked("asking for faults", err)
	}
	if len(faults) > 0 {
		for i := range x.load.readings {
			x.load.readings[i].Flags |= bench.AfterFault
		}
	}
	err = x.deliver(ctx, ack)
	if len(faults) > 0 {
		return &FaultError{faults}
	}
	return err
}

// deliver puts the load into the pipe.
func (x *measurer) deliver(ctx context.Context, ack chan struct{}) error {
	l := &x.load
	l.progress.Elapsed = x.clock.Now().Sub(x.start)
	l.progress.Left = x.left(l.progress.Elapsed)
	if x.pinsNew {
		l.pins = slices.Clone(x.pins)
		if l.pins == nil {
			l.pins = []PinState{}
		}
	}
	done := l.progress.Done
	l.progress.Done = slices.Clone(done)
	err := x.pipe.put(ctx, l, ack)
	l.progress.Done = done
	if err == nil {
		l.reset()
		x.pinsNew = false
		x.lookout.handed()
	}
	return err
}

// left estimates the time to go: what is planned for it, stretched by how the
// run has kept to its plan so far once it has gone on for a second.
func (x *measurer) left(elapsed time.Duration) time.Duration {
	left := max(x.plan.nominal-x.nominal, 0)
	if x.nominal > time.Second {
		pace := elapsed.Seconds() / x.nominal.Seconds()
		left = time.Duration(float64(left) * min(max(pace, 0.5), 4))
	}
	return left
}

// FaultError is the error of a run whose bench reported faults itself.
type FaultError struct{ Faults []bench.Fault }

func (e *FaultError) Error() string {
	s := "the bench reported a fault: " + e.Faults[0].Message
	if n := len(e.Faults) - 1; n > 0 {
		s += fmt.Sprintf(" (and %d more)", n)
	}
	return s
}

package run

import (
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// readers are what a point reads: pins, channels and ranges. They are worked
// out again only where they change, since a sweep has hundreds of thousands of
// points that differ by a level alone.
type readers struct {
	reads    []reader // of the pins that are measured, and then of the levels that are held
	channels []bench.ChannelID
	// measured and own count those of the pins that are measured.
	measured, own int

	// What they were worked out for.
	readSeg    *procedure.Segment
	readPins   []int
	readCycles float64
	readBack   bool
}

// reader is one pin that is read at the point at work. Its conn is -1 where it
// is a level that is held, read back.
type reader struct {
	conn, drive, sample int
	pin                 int
	setup               bench.Setup // of its channel; its level is the point's
	keeps               bool        // the ranges are the same at every level
	sense               *procedure.Sense
}

// find works out which channels a point of a segment reads, and in which ranges,
// where its drives are set as given and an aperture has that many power-line
// cycles: those of its pins and, for back, those that hold a level.
func (x *readers) find(seg *procedure.Segment, pt *procedure.Point, set []bench.Setup, cycles float64, back bool) {
	if x.readBack == back && x.same(seg, pt, set, cycles) {
		for i := range x.reads {
			r := &x.reads[i]
			r.setup.Level = set[r.drive].Level
		}
		return
	}
	x.readSeg, x.readPins, x.readCycles, x.readBack = seg, append(x.readPins[:0], pt.Read...), cycles, back
	x.reads, x.channels = x.reads[:0], x.channels[:0]
	for _, pin := range pt.Read {
		i := slices.IndexFunc(seg.Conns, func(c *procedure.Conn) bool { return c.Pin == pin })
		x.add(seg, i, pin, seg.Conns[i].Drive, set, cycles)
	}
	x.measured, x.own = len(x.reads), len(x.channels)
	if !back {
		return
	}
	for k, d := range seg.Drives {
		if !slices.Contains(x.channels[:x.own], d.Channel.ID) {
			x.add(seg, -1, d.Pin, k, set, cycles)
		}
	}
}

func (x *readers) add(seg *procedure.Segment, conn, pin, drive int, set []bench.Setup, cycles float64) {
	ch := seg.Drives[drive].Channel
	sense := seg.Sense(drive, set[drive], cycles)
	// A setup that no range holds says nothing of the next level.
	r := reader{conn: conn, pin: pin, drive: drive, setup: set[drive], keeps: sense != nil && ch.KeepsRanges(set[drive]), sense: sense}
	r.sample = slices.Index(x.channels, ch.ID)
	if r.sample < 0 {
		r.sample = len(x.channels)
		x.channels = append(x.channels, ch.ID)
	}
	x.reads = append(x.reads, r)
}

// same reports whether a point reads what the one before it did, in the same
// ranges.
func (x *readers) same(seg *procedure.Segment, pt *procedure.Point, set []bench.Setup, cycles float64) bool {
	if x.readSeg != seg || x.readCycles != cycles || !slices.Equal(x.readPins, pt.Read) {
		return false
	}
	for i := range x.reads {
		r := &x.reads[i]
		now := set[r.drive]
		if now.Level != r.setup.Level && (!r.keeps || math.Abs(now.Level) > now.Range) {
			return false
		}
		now.Level = r.setup.Level
		if now != r.setup {
			return false
		}
	}
	return true
}

// keep adds a sample to the readings that will be handed over.
func (x *measurer) keep(r *reader, base bench.Reading) {
	s := &x.samples[r.sample]
	base.T, base.Set, base.V, base.I = int64(s.At.Sub(x.start)), r.setup.Level, s.V, s.I
	base.Pin, base.Channel, base.Flags = uint8(r.pin), s.Channel, base.Flags|s.Flags
	switch {
	case r.conn < 0:
		base.Flags |= bench.Auxiliary
	case !base.Flags.Has(bench.Auxiliary) && x.step.limits.broken(&base):
		base.Flags |= bench.OutOfLimit
	}
	if r.conn >= 0 {
		p := &x.pins[r.conn]
		p.V, p.I, p.Flags = s.V, s.I, base.Flags&^bench.Auxiliary
		x.pinsNew = true
	}
	x.load.readings, x.load.senses = append(x.load.readings, base), append(x.load.senses, r.sense)
	x.load.count(x.stepAt, x.attempt)
}

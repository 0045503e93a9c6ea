package run

import (
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// readers are what a point reads: pins, channels and ranges. They are worked
// out again only where they change, since a sweep has hundreds of thousands of
// points that differ by a level alone.
type readers struct {
	reads    []reader
	channels []bench.ChannelID

	// What they were worked out for.
	readSeg    *procedure.Segment
	readPins   []int
	readCycles float64
}

// reader is one pin that is read at the point at work.
type reader struct {
	conn, drive, sample int
	setup               bench.Setup // of its channel; its level is the point's
	keeps               bool        // the ranges are the same at every level
	senseV, senseI      bench.Range
	uncertainty         bench.Uncertainty
}

// find works out which channels a point of a segment reads, and in which ranges,
// where its drives are set as given and an aperture has that many power-line
// cycles.
func (x *readers) find(seg *procedure.Segment, pt *procedure.Point, set []bench.Setup, cycles float64) {
	if x.same(seg, pt, set, cycles) {
		for i := range x.reads {
			r := &x.reads[i]
			r.setup.Level = set[r.drive].Level
		}
		return
	}
	x.readSeg, x.readPins, x.readCycles = seg, append(x.readPins[:0], pt.Read...), cycles
	x.reads, x.channels = x.reads[:0], x.channels[:0]
	for _, pin := range pt.Read {
		i := slices.IndexFunc(seg.Conns, func(c *procedure.Conn) bool { return c.Pin == pin })
		k := seg.Conns[i].Drive
		ch := seg.Drives[k].Channel
		r := reader{conn: i, drive: k, setup: set[k], keeps: ch.KeepsRanges(set[k])}
		_, r.senseV, r.senseI, _ = ch.RangesFor(set[k])
		r.uncertainty = bench.UncertaintyOf(r.senseV, r.senseI, seg.Drives[k].Loss, cycles)
		r.sample = slices.Index(x.channels, ch.ID)
		if r.sample < 0 {
			r.sample = len(x.channels)
			x.channels = append(x.channels, ch.ID)
		}
		x.reads = append(x.reads, r)
	}
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
		if now.Level != r.setup.Level && !r.keeps {
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
	p := &x.pins[r.conn]
	base.T, base.Set, base.V, base.I = int64(s.At.Sub(x.start)), r.setup.Level, s.V, s.I
	base.Pin, base.Channel, base.Flags = uint8(p.Pin), s.Channel, base.Flags|s.Flags
	if x.step.limits.broken(&base) {
		base.Flags |= bench.OutOfLimit
	}
	p.V, p.I, p.Flags = s.V, s.I, base.Flags
	x.pinsNew = true
	uv, ui := r.uncertainty.At(s.V, s.I)
	x.load.readings, x.load.us = append(x.load.readings, base), append(x.load.us, standard{uv, ui})
	x.load.count(x.stepAt, x.attempt)
}

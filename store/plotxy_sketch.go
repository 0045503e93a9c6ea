package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

const (
	// sketchFrom is from how many readings on a curve is drawn from summaries.
	sketchFrom = 32 * chunkMax
	// sketchUnpack is how many chunks may be unpacked all the same.
	sketchUnpack = 32
)

// sketch is a long measurement by its summaries. A block that is narrower than
// a column of the plot, or lower, lies within a strip whose ends its corners
// touch: there they draw what all its readings would. A chunk with a larger
// block is unpacked, so that the faster parts of a sweep keep their shape;
// where a measurement scatters so much that most chunks would be, the strips
// may be wider.
type sketch struct {
	plot   XYPlot
	index  []chunkIndex
	blocks []block
	ends   []int     // of each chunk's blocks
	size   []float64 // of each chunk's largest block: its smaller side, columns
	widest float64   // the size up to which a chunk is drawn from its blocks
}

// sketchable reports whether the summaries know what the axes show.
func (p *pairing) sketchable() bool {
	known := func(q procedure.Quantity) bool {
		return q == procedure.QuantityVoltage || q == procedure.QuantityCurrent
	}
	return !p.cross && p.plot.Columns > 0 && known(p.plot.X.Quantity) && known(p.plot.Y.Quantity)
}

// sketch draws a long measurement. drawn is false where it is short: then
// nothing is done.
func (s *Store) sketch(ctx context.Context, p *pairing) (drawn, more bool, err error) {
	seq, err := s.seqOf(ctx, p.plot.Run)
	if err != nil {
		return false, false, err
	}
	index, rest, err := s.chunkIndex(ctx, seq, TimePlot{Measurement: p.plot.Measurement, From: math.MinInt64, To: math.MaxInt64})
	if err != nil {
		return false, false, wrap("plot", err)
	}
	k := sketch{plot: p.plot, index: index}
	total := 0
	for i := range index {
		total += index[i].count
	}
	end := total
	total += rest.Len()
	if total < sketchFrom {
		return false, false, nil
	}
	if err := k.measure(); err != nil {
		return false, false, wrap("plot", err)
	}
	if err := s.fillXY(ctx, seq, &k, p); err != nil {
		return false, false, wrap("plot", err)
	}
	p.add(&rest, max(min(rest.Len(), p.plot.Limit-end), 0))
	return true, total > p.plot.Limit, nil
}

// measure unpacks the summaries and finds the size of every chunk's blocks.
func (k *sketch) measure() (err error) {
	k.blocks = make([]block, 0, len(k.index)*(chunkMax/blockReadings+1))
	for i := range k.index {
		if k.blocks, err = decodeBlocks(k.blocks, k.index[i].summary); err != nil {
			return fmt.Errorf("chunk at %d: %w", k.index[i].first, err)
		}
		k.ends = append(k.ends, len(k.blocks))
	}
	x, y := k.scale(k.plot.X), k.scale(k.plot.Y)
	from := 0
	for i := range k.index {
		last := &k.index[i]
		size := 0.0
		if k.ends[i] == from || last.first+int64(last.count) > int64(k.plot.Limit) {
			size = math.Inf(1) // too many curves, or to be cut
		}
		for ; from < k.ends[i]; from++ {
			size = max(size, min(x.extent(&k.blocks[from]), y.extent(&k.blocks[from])))
		}
		k.size = append(k.size, size)
	}
	k.widest = 2 // finer than the drawing's own units and the pen
	if len(k.size) > sketchUnpack {
		sorted := slices.Sorted(slices.Values(k.size))
		if s := sorted[len(sorted)-1-sketchUnpack]; !math.IsInf(s, 1) {
			k.widest = max(k.widest, s)
		}
	}
	return nil
}

// axisScale turns values of one axis into columns.
type axisScale struct {
	axis      procedure.Axis
	low, high corner // where a block keeps the ends
	columns   float64
}

// value is the axis' quantity of a reading.
func (a *axisScale) value(r *kept) float64 {
	if a.low == lowestI {
		return scaled(r.i, a.axis.Log)
	}
	return scaled(r.v, a.axis.Log)
}

func (k *sketch) scale(axis procedure.Axis) axisScale {
	a := axisScale{axis: axis, low: lowestV, high: highestV}
	if axis.Quantity == procedure.QuantityCurrent {
		a.low, a.high = lowestI, highestI
	}
	low, high := math.Inf(1), math.Inf(-1)
	for i := range k.blocks {
		for _, c := range []corner{a.low, a.high} {
			if r := &k.blocks[i].at[c]; r.index != noIndex {
				if v := a.value(r); v-v == 0 { // finite
					low, high = min(low, v), max(high, v)
				}
			}
		}
	}
	if high > low {
		a.columns = float64(k.plot.Columns) / (high - low)
	}
	return a
}

// extent is how far a block reaches along the axis, in columns. Where it has
// values on both sides of zero on a log axis, that is as far as can be.
func (a *axisScale) extent(b *block) float64 {
	low, high := &b.at[a.low], &b.at[a.high]
	if low.index == noIndex {
		return 0
	}
	if a.axis.Log {
		from, to := low.v, high.v
		if a.low == lowestI {
			from, to = low.i, high.i
		}
		if from <= 0 && to >= 0 {
			return math.Inf(1)
		}
	}
	return math.Abs(a.value(high)-a.value(low)) * a.columns
}

// fillXY adds every chunk up to the limit, in order, from its blocks or,
// fetched in spans of neighbours, from its readings.
func (s *Store) fillXY(ctx context.Context, seq int64, k *sketch, p *pairing) error {
	for i := 0; i < len(k.index) && k.index[i].first < int64(k.plot.Limit); {
		if k.fits(i) {
			p.addBlocks(k.blocks[k.ends[i]-k.blocksOf(i) : k.ends[i]])
			i++
			continue
		}
		from := i
		for i < len(k.index) && !k.fits(i) && k.index[i].first < int64(k.plot.Limit) {
			i++
		}
		var c Columns
		err := s.rows(ctx, `SELECT first, data FROM chunks JOIN chunk_data ON chunk = id
			WHERE run = ? AND measurement = ? AND first BETWEEN ? AND ? ORDER BY first`,
			[]any{seq, k.plot.Measurement, k.index[from].first, k.index[i-1].first}, func(r *sql.Rows) error {
				var first int64
				var data sql.RawBytes // used before the next row, so never copied
				if err := r.Scan(&first, &data); err != nil {
					return err
				}
				c.Reset()
				if err := decodeChunk(data, &c); err != nil {
					return fmt.Errorf("chunk at %d: %w", first, err)
				}
				p.add(&c, min(c.Len(), k.plot.Limit-int(first)))
				return nil
			})
		if err != nil {
			return err
		}
	}
	return nil
}

// fits reports whether chunk i is drawn from its blocks; one whose size is no
// number, for values that are infinite, is not.
func (k *sketch) fits(i int) bool { return k.size[i] <= k.widest }

// blocksOf is how many blocks chunk i has.
func (k *sketch) blocksOf(i int) int {
	if i == 0 {
		return k.ends[0]
	}
	return k.ends[i] - k.ends[i-1]
}

// addBlocks takes the corners of one chunk's blocks, each reading once.
func (p *pairing) addBlocks(blocks []block) {
	x, y := p.plot.X, p.plot.Y
	for i := range blocks {
		b := &blocks[i]
		if x.Pin != 0 && x.Pin != int(b.pin) || y.Pin != 0 && y.Pin != int(b.pin) {
			continue
		}
		k, at := p.curve(b.pin, b.group), int64(noIndex)
		for _, r := range b.inOrder() {
			if r.index != at {
				at = r.index
				k.add(r.of(x.Quantity), r.of(y.Quantity), r.flags.Has(bench.InCompliance))
			}
		}
	}
	p.condense()
}

// inOrder returns the corners in the order of their readings.
func (b *block) inOrder() (rs [corners]*kept) {
	for i := range b.at {
		r, j := &b.at[i], i
		for ; j > 0 && rs[j-1].index > r.index; j-- {
			rs[j] = rs[j-1]
		}
		rs[j] = r
	}
	return rs
}

func (r *kept) of(q procedure.Quantity) float64 {
	if q == procedure.QuantityCurrent {
		return r.i
	}
	return r.v
}

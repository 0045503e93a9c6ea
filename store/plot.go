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

// PlotSeries is one curve of a plot: the readings of one pin and group that a
// screen can tell apart, each a real one. Hollow marks those in compliance.
type PlotSeries struct {
	Pin    uint8
	Group  uint16
	X, Y   []float64
	Hollow []bool
}

// TimePlot asks for a quantity of a measurement against time.
type TimePlot struct {
	Run         string
	Measurement int
	Pin         int                // 0: every pin
	Quantity    procedure.Quantity // set, voltage or current
	Columns     int                // width of the plot
	From, To    int64              // nanoseconds since the run's start; To 0: the end
}

// chunkIndex is the index row of a chunk.
type chunkIndex struct {
	first      int64
	count      int
	start, end int64 // time of its first and last reading
	summary    []byte
}

// PlotTime returns a curve for each pin and group, with X in seconds since
// the run's start. Of the readings of each column it keeps the first, last,
// lowest and highest, and the first in compliance. A chunk whose blocks are
// narrower than a column is drawn from its summary.
func (s *Store) PlotTime(ctx context.Context, q TimePlot) ([]PlotSeries, error) {
	col, err := columnOf(q.Quantity)
	if err != nil {
		return nil, err
	}
	seq, err := s.seqOf(ctx, q.Run)
	if err != nil {
		return nil, err
	}
	if q.To == 0 {
		q.To = math.MaxInt64
	}
	index, tail, err := s.chunkIndex(ctx, seq, q)
	if err != nil || len(index)+tail.Len() == 0 {
		return nil, wrap("plot", err)
	}
	total, start, end := tail.Len(), int64(math.MaxInt64), int64(math.MinInt64)
	for i := range index {
		total += index[i].count
		start, end = min(start, index[i].start), max(end, index[i].end)
	}
	if n := tail.Len(); n > 0 {
		start, end = min(start, tail.T[0]), max(end, tail.T[n-1])
	}
	e := envelope{pin: q.Pin, column: col, from: max(q.From, start), to: min(q.To, end), width: 1}
	if total > int(marks)*q.Columns {
		e.width = max((e.to-e.from)/int64(max(q.Columns, 1)), 1)
	}
	if err := s.fill(ctx, seq, q.Measurement, index, &e); err != nil {
		return nil, wrap("plot", err)
	}
	e.addReadings(math.MaxInt64-chunkMax, &tail)
	return e.series(), nil
}

func columnOf(q procedure.Quantity) (column, error) {
	switch q {
	case procedure.QuantitySet:
		return columnSet, nil
	case procedure.QuantityVoltage:
		return columnV, nil
	case procedure.QuantityCurrent:
		return columnI, nil
	}
	return 0, errorf(Invalid, "%q is not a quantity that can be drawn", q)
}

// chunkIndex reads the index rows of the chunks that touch the plot's time, and
// the readings that no chunk holds yet.
func (s *Store) chunkIndex(ctx context.Context, seq int64, q TimePlot) (index []chunkIndex, rest Columns, err error) {
	err = s.view(ctx, func(v querier) error {
		err := each(ctx, v, `SELECT first, count, t_first, t_last, summary FROM chunks
			WHERE run = ? AND measurement = ? AND t_last >= ? AND t_first <= ? ORDER BY first`,
			[]any{seq, q.Measurement, q.From, q.To}, func(r *sql.Rows) error {
				var k chunkIndex
				if err := r.Scan(&k.first, &k.count, &k.start, &k.end, &k.summary); err != nil {
					return err
				}
				index = append(index, k)
				return nil
			})
		if err != nil {
			return err
		}
		tail, err := tailChunks(ctx, v, seq, q.Measurement, q.Measurement)
		if err == nil && len(tail) > 0 {
			err = tail[0].Decode(&rest)
		}
		return err
	})
	return index, rest, err
}

// fill feeds the envelope with every chunk in order, from its summary or,
// fetched in spans of neighbours, from its readings.
func (s *Store) fill(ctx context.Context, seq int64, measurement int, index []chunkIndex, e *envelope) error {
	for i := 0; i < len(index); {
		span := i
		for span < len(index) {
			enough, err := e.summaryIsEnough(&index[span])
			if err != nil {
				return fmt.Errorf("chunk at %d: %w", index[span].first, err)
			}
			if enough {
				break
			}
			span++
		}
		if span == i {
			e.addSummary(index[i].first)
			i++
			continue
		}
		var c Columns
		err := s.rows(ctx, `SELECT first, data FROM chunks JOIN chunk_data ON chunk = id
			WHERE run = ? AND measurement = ? AND first BETWEEN ? AND ? ORDER BY first`,
			[]any{seq, measurement, index[i].first, index[span-1].first}, func(r *sql.Rows) error {
				var first int64
				var data sql.RawBytes // used before the next row, so never copied
				if err := r.Scan(&first, &data); err != nil {
					return err
				}
				c.Reset()
				if err := decodeChunk(data, &c); err != nil {
					return fmt.Errorf("chunk at %d: %w", first, err)
				}
				e.addReadings(first, &c)
				return nil
			})
		if err != nil {
			return err
		}
		i = span
	}
	return nil
}

// envelope gathers, per curve, what each column of a time plot must show.
type envelope struct {
	pin      int // 0: every
	column   column
	from, to int64
	width    int64  // of a column, nanoseconds
	spans    []span // of the summary at work
	curves   []*envelopeCurve
	current  *envelopeCurve
}

type envelopeCurve struct {
	PlotSeries
	start, end int64 // of the column at work
	marks      [marks]mark
}

func (e *envelope) curve(pin uint8, group uint16) *envelopeCurve {
	if k := e.current; k != nil && k.Pin == pin && k.Group == group {
		return k
	}
	i := slices.IndexFunc(e.curves, func(k *envelopeCurve) bool { return k.Pin == pin && k.Group == group })
	if i < 0 {
		i = len(e.curves)
		e.curves = append(e.curves, &envelopeCurve{PlotSeries: PlotSeries{Pin: pin, Group: group}, marks: noMarks})
	}
	e.current = e.curves[i]
	return e.current
}

// addReadings adds readings of which the first has that index.
func (e *envelope) addReadings(first int64, c *Columns) {
	y := c.Set
	switch e.column {
	case columnV:
		y = c.V
	case columnI:
		y = c.I
	}
	for i, t := range c.T {
		pin := c.Pin[i]
		if e.pin != 0 && int(pin) != e.pin || t < e.from || t > e.to {
			continue
		}
		e.add(e.curve(pin, c.Group[i]), mark{t, y[i], c.Flags[i], first + int64(i)})
	}
}

// summaryIsEnough unpacks a chunk's summary into spans and reports whether
// the plot can be drawn from it. Set is in no summary, and a chunk across an
// end of the plot must be cut.
func (e *envelope) summaryIsEnough(k *chunkIndex) (_ bool, err error) {
	if e.column == columnSet || k.start < e.from || k.end > e.to {
		return false, nil
	}
	e.spans, err = decodeSummary(e.spans[:0], k.summary, e.column)
	for i := range e.spans {
		if m := &e.spans[i].marks; m[last].t-m[first].t > e.width {
			return false, err
		}
	}
	return len(e.spans) > 0, err
}

// addSummary adds the spans of the chunk whose first reading has that index.
func (e *envelope) addSummary(chunk int64) {
	for i := range e.spans {
		b := &e.spans[i]
		if e.pin != 0 && int(b.pin) != e.pin {
			continue
		}
		sortMarks(&b.marks)
		to := e.curve(b.pin, b.group)
		for _, m := range b.marks {
			if m.index != noIndex {
				m.index += chunk
				e.add(to, m)
			}
		}
	}
}

// sortMarks brings marks into the order of their readings.
func sortMarks(ms *[marks]mark) {
	for i := 1; i < len(ms); i++ {
		for j := i; j > 0 && ms[j].index < ms[j-1].index; j-- {
			ms[j], ms[j-1] = ms[j-1], ms[j]
		}
	}
}

func (e *envelope) add(k *envelopeCurve, m mark) {
	if m.t >= k.end || m.t < k.start {
		k.flush()
		k.start = m.t - (m.t-e.from)%e.width
		k.end = k.start + e.width
	}
	collect(&k.marks, m)
}

// flush writes the column's marks in order, each reading once.
func (k *envelopeCurve) flush() {
	sortMarks(&k.marks)
	at := int64(noIndex)
	for _, m := range k.marks {
		if m.index != at {
			at = m.index
			k.X, k.Y = append(k.X, float64(m.t)/1e9), append(k.Y, m.y)
			k.Hollow = append(k.Hollow, m.flags.Has(bench.InCompliance))
		}
	}
	k.marks = noMarks
}

func (e *envelope) series() []PlotSeries {
	out := make([]PlotSeries, len(e.curves))
	for i, k := range e.curves {
		k.flush()
		out[i] = k.PlotSeries
	}
	return out
}

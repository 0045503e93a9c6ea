package store

import (
	"context"
	"io"
	"math"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// readingsHeader names the columns of a readings file, with units.
var readingsHeader = []string{"measurement", "name", "pin", "pin name", "channel", "point", "curve", "time (s)",
	"set (V or A)", "voltage (V)", "current (A)", "flags", "rehearsal"}

// readingsBlock is the size of one write of text, in bytes. A chunk has about
// 90 kB.
const readingsBlock = 128 << 10

// ReadingsCSV writes packed chunks of a run as CSV. It works on one processor:
// exports leave the others to the run at work.
type ReadingsCSV struct {
	w      io.Writer
	format *readingFormat
	buf    []byte
	err    error
}

// NewReadingsCSV begins with the header, and with what is damaged of the run's
// head (see WholeRun).
func NewReadingsCSV(w io.Writer, r *procedure.Record, damaged []string) *ReadingsCSV {
	e := &ReadingsCSV{w: w, format: newReadingFormat(r), buf: make([]byte, 0, readingsBlock+readingsBlock/2)}
	e.buf = appendRecord(e.buf, readingsHeader)
	for _, what := range damaged {
		_ = e.Damaged(Gap{Measurement: AllMeasurements, why: "damaged: " + what})
	}
	return e
}

// Chunk adds a chunk's readings.
func (e *ReadingsCSV) Chunk(k Chunk) error {
	if e.err == nil {
		e.buf, e.err = e.format.chunk(e.buf, k)
	}
	if len(e.buf) >= readingsBlock {
		e.flush()
	}
	return e.err
}

// Damaged adds a row that says in words, in place of flags, what is damaged.
func (e *ReadingsCSV) Damaged(g Gap) error {
	if g.Measurement == AllMeasurements {
		e.buf = append(e.buf, ",,"...)
	} else {
		e.buf = append(e.buf, e.format.measurement(g.Measurement)...)
	}
	e.buf = append(appendText(append(e.buf, ",,,,,,,,,"...), g.Words()), ',')
	e.buf = append(e.buf, e.format.tail...)
	return e.err
}

func (e *ReadingsCSV) flush() {
	if e.err == nil && len(e.buf) > 0 {
		_, e.err = e.w.Write(e.buf)
	}
	e.buf = e.buf[:0]
}

// Close writes what is left and returns the first error.
func (e *ReadingsCSV) Close() error {
	e.flush()
	return e.err
}

// ExportReadings writes the readings of a run's measurement, or of
// AllMeasurements, as CSV, in constant memory: those that are whole, and what is
// damaged in words.
func (s *Store) ExportReadings(ctx context.Context, w io.Writer, runID string, measurement int) (err error) {
	r, lost, err := s.WholeRun(ctx, runID)
	if err != nil {
		return err
	}
	e := NewReadingsCSV(w, r, lost)
	defer func() {
		if closeErr := e.Close(); err == nil {
			err = closeErr
		}
	}()
	return s.WholeChunks(ctx, runID, measurement, 0, e.Chunk, e.Damaged)
}

// readingFormat formats chunks; each worker has its own.
type readingFormat struct {
	measurements []procedure.Measurement
	prefix       map[int][]byte // by measurement: its number and name
	pins         [256][]byte    // number and name
	flags        map[bench.Flags][]byte
	tail         []byte // rehearsal, CRLF
	cols         Columns
	lastSet      uint64 // bits of the set value formatted last
	setText      []byte
}

func newReadingFormat(r *procedure.Record) *readingFormat {
	f := &readingFormat{measurements: r.Procedure.Measurements, prefix: map[int][]byte{}, flags: map[bench.Flags][]byte{}}
	for i := range f.pins {
		f.pins[i] = append(strconv.AppendInt(nil, int64(i), 10), ',')
		if pin, ok := r.Device.Pin(i); ok {
			f.pins[i] = appendText(f.pins[i], pin.Name)
		}
		f.pins[i] = append(f.pins[i], ',')
	}
	f.tail = []byte(rehearsed(r) + "\r\n")
	f.setText = append(appendNumber(nil, 0), ',')
	return f
}

// measurement returns the cells that say which measurement it is, counted
// from 1 as on the pages.
func (f *readingFormat) measurement(m int) []byte {
	p, ok := f.prefix[m]
	if !ok {
		p = append(strconv.AppendInt(nil, int64(m)+1, 10), ',')
		if m < len(f.measurements) {
			p = appendText(p, f.measurements[m].Name)
		}
		p = append(p, ',')
		f.prefix[m] = p
	}
	return p
}

func (f *readingFormat) chunk(dst []byte, k Chunk) ([]byte, error) {
	c := &f.cols
	c.Reset()
	if err := k.Decode(c); err != nil {
		return dst, wrap("export readings", err)
	}
	prefix := f.measurement(k.Measurement)
	for i := range c.Len() {
		dst = append(dst, prefix...)
		dst = append(dst, f.pins[c.Pin[i]]...)
		dst = append(strconv.AppendUint(dst, uint64(c.Channel[i]), 10), ',')
		dst = append(strconv.AppendUint(dst, uint64(c.Point[i]), 10), ',')
		dst = append(strconv.AppendUint(dst, uint64(c.Group[i]), 10), ',')
		dst = append(appendSeconds(dst, c.T[i]), ',')
		dst = append(dst, f.set(c.Set[i])...)
		dst = append(appendNumber(dst, c.V[i]), ',')
		dst = append(appendNumber(dst, c.I[i]), ',')
		dst = append(dst, f.flagWords(c.Flags[i])...)
		dst = append(dst, f.tail...)
	}
	return dst, nil
}

// set formats a set value, which often stays the same for many readings.
func (f *readingFormat) set(v float64) []byte {
	if bits := math.Float64bits(v); bits != f.lastSet {
		f.lastSet, f.setText = bits, append(appendNumber(f.setText[:0], v), ',')
	}
	return f.setText
}

func (f *readingFormat) flagWords(flags bench.Flags) []byte {
	w, ok := f.flags[flags]
	if !ok {
		w = append(appendText(nil, flagText(flags)), ',')
		f.flags[flags] = w
	}
	return w
}

// flagText names the flags that are set.
func flagText(flags bench.Flags) string { return strings.Join(flags.Words(), "; ") }

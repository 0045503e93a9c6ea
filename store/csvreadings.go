package store

import (
	"context"
	"io"
	"math"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// readingsHeader names the columns of a readings file, with units.
var readingsHeader = []string{"measurement", "name", "pin", "pin name", "channel", "point", "curve", "time (s)",
	"set (V or A)", "voltage (V)", "current (A)", "flags", "rehearsal"}

// ReadingsCSV writes packed chunks of a run as CSV. Chunks are formatted on
// all processors and written in order, a bounded number ahead.
type ReadingsCSV struct {
	jobs    chan *csvJob
	order   chan *csvJob
	workers sync.WaitGroup
	done    chan struct{}
	failed  atomic.Pointer[error]
	free    sync.Pool
}

// csvJob is one chunk on its way through.
type csvJob struct {
	chunk Chunk
	out   []byte
	err   error
	ready chan struct{}
}

// NewReadingsCSV writes the header and starts the workers. Close must be
// called, whatever fails in between.
func NewReadingsCSV(w io.Writer, r *procedure.Record) *ReadingsCSV {
	n := runtime.GOMAXPROCS(0)
	e := &ReadingsCSV{jobs: make(chan *csvJob, n), order: make(chan *csvJob, 2*n), done: make(chan struct{})}
	for range n {
		e.workers.Go(func() {
			f := newReadingFormat(r)
			for j := range e.jobs {
				j.out, j.err = f.chunk(j.out[:0], j.chunk)
				close(j.ready)
			}
		})
	}
	go e.write(w)
	return e
}

// write is the only goroutine that touches w. After an error it only drains.
func (e *ReadingsCSV) write(w io.Writer) {
	defer close(e.done)
	header := newCSV(w, readingsHeader...)
	e.fail(header.Close())
	for j := range e.order {
		<-j.ready
		e.fail(j.err)
		if e.failed.Load() == nil {
			_, err := w.Write(j.out)
			e.fail(err)
		}
		e.free.Put(j)
	}
}

func (e *ReadingsCSV) fail(err error) {
	if err != nil {
		e.failed.CompareAndSwap(nil, &err)
	}
}

func (e *ReadingsCSV) failure() error {
	if p := e.failed.Load(); p != nil {
		return *p
	}
	return nil
}

// Chunk adds a chunk's readings. An error may be that of an earlier chunk.
func (e *ReadingsCSV) Chunk(k Chunk) error {
	if err := e.failure(); err != nil {
		return err
	}
	j, _ := e.free.Get().(*csvJob)
	if j == nil {
		j = &csvJob{}
	}
	j.chunk, j.ready = k, make(chan struct{})
	e.order <- j
	e.jobs <- j
	return nil
}

// Close waits until everything is written and returns the first error.
func (e *ReadingsCSV) Close() error {
	close(e.jobs)
	close(e.order)
	e.workers.Wait()
	<-e.done
	return e.failure()
}

// ExportReadings writes the readings of a run's measurement, or of
// AllMeasurements, as CSV, in constant memory.
func (s *Store) ExportReadings(ctx context.Context, w io.Writer, runID string, measurement int) (err error) {
	r, err := s.GetRun(ctx, runID)
	if err != nil {
		return err
	}
	e := NewReadingsCSV(w, r)
	defer func() {
		if closeErr := e.Close(); err == nil {
			err = closeErr
		}
	}()
	return s.Chunks(ctx, runID, measurement, 0, e.Chunk)
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
	f.tail = []byte("no\r\n")
	if r.Rehearsal {
		f.tail = []byte("yes\r\n")
	}
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

package store

import (
	"context"
	"errors"
	"time"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/turn"
)

// stageBytes is about how many bytes of runs that arrive one transaction stores:
// between two, whoever waits for the writer has it.
const stageBytes = 1 << 20

// taker stores the runs of a bundle by its plan.
type taker struct {
	ctx   context.Context
	store *Store
	plan  *bundlePlan
	by    string
	at    time.Time

	n      int // runs that were read
	staged []stagedRun
	kept   int      // of staged, those whose beginning is stored
	now    *runPlan // of the run that is being read

	work  []func(*tx) error
	bytes int
}

// stagedRun is a run that is stored, and marked.
type stagedRun struct {
	seq                     int64
	staged                  string // its number until it arrives
	id                      string // its number then
	device                  string
	unit                    dut.Unit
	deviceRev, procedureRev int
	dropped                 int64 // exchanges with cards that were not kept
}

func (t *taker) document(documentHead) error      { return nil }
func (t *taker) revision(*documentRevision) error { return nil }
func (t *taker) endDocument() error               { return nil }

// do has the next transaction do some work, of about so many bytes.
func (t *taker) do(bytes int, work func(*tx) error) error {
	t.work = append(t.work, work)
	if t.bytes += bytes; t.bytes < stageBytes {
		return nil
	}
	return t.flush()
}

// flush does what is to be done.
func (t *taker) flush() error {
	work := t.work
	t.work, t.bytes = nil, 0
	if len(work) == 0 {
		return nil
	}
	err := t.store.update(t.ctx, "import runs", func(w *tx) error {
		for _, do := range work {
			if err := do(w); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil {
		t.kept = len(t.staged)
	}
	return errors.Join(err, turn.Pass(t.ctx))
}

// current is the run that is being stored.
func (t *taker) current() int { return len(t.staged) - 1 }

func (t *taker) run(h *runHead) error {
	if t.n >= len(t.plan.runs) {
		return errFileChanged
	}
	t.now = &t.plan.runs[t.n]
	t.n++
	if !t.now.writes() {
		return nil
	}
	staged, err := stagedID()
	if err != nil {
		return err
	}
	rec := t.renamed(h)
	r := stagedRun{staged: staged, id: t.now.id, device: rec.Device.Key, unit: rec.Unit,
		deviceRev: t.plan.documents.revHere("device", h.Run.Device.Key, rec.DeviceRev), procedureRev: t.plan.documents.revHere("procedure", h.Run.Procedure.Key, rec.ProcRev)}
	if h.Traffic != nil {
		r.dropped = *h.Traffic
	}
	t.staged = append(t.staged, r)
	origins := append(rec.Origins[:len(rec.Origins):len(rec.Origins)], t.newOrigin(h.Run.ID))
	rec.ID, rec.DeviceRev, rec.ProcRev = staged, 0, 0
	i := t.current()
	return t.do(16<<10, func(w *tx) error {
		seq, err := beginMarked(w, rec)
		t.staged[i].seq = seq
		if err != nil {
			return err
		}
		return keepOrigins(w, seq, origins)
	})
}

// renamed is the head of a run with the keys and names that its documents have
// here.
func (t *taker) renamed(h *runHead) *procedure.Record {
	rec, p := h.Run, t.plan.documents
	if h.Seated != nil {
		rec.Seated = h.Seated
	}
	rename := func(kind string, key, name *string) {
		as, suffix := p.keyHere(kind, *key)
		if *key = as; suffix != "" {
			*name = nameHere(*name, suffix)
		}
	}
	rename("device", &rec.Device.Key, &rec.Device.Name)
	rename("procedure", &rec.Procedure.Key, &rec.Procedure.Name)
	rename("bench", &rec.Bench.Key, &rec.Bench.Name)
	p.refer(nil, nil, &rec.Procedure.Device, nil)
	p.refer(nil, nil, &rec.PinMap.Device, &rec.PinMap.Bench)
	return &rec
}

// beginMarked stores the head of a run that has ended and arrives, and marks it.
func beginMarked(w *tx, rec *procedure.Record) (seq int64, err error) {
	if err := insertHead(w, rec, nil); err != nil {
		return 0, err
	}
	if err := w.row("SELECT seq FROM runs WHERE id = ?", rec.ID).Scan(&seq); err != nil {
		return 0, err
	}
	// It must count with its readings before the mark takes them off the counts.
	if _, err := w.exec("UPDATE runs SET readings = ? WHERE seq = ?", rec.Readings, seq); err != nil {
		return seq, err
	}
	_, err = w.exec("INSERT INTO deleting (run) VALUES (?)", seq)
	return seq, err
}

func (t *taker) result(x *bundledResult) error {
	if !t.now.writes() {
		return nil
	}
	r, err := x.result()
	if err != nil {
		return err
	}
	i := t.current()
	return t.do(400+len(x.Budget), func(w *tx) error { return t.store.setResult(w, t.staged[i].seq, r) })
}

func (t *taker) chunk(k bundledChunk) error {
	if !t.now.writes() {
		return nil
	}
	data := append([]byte(nil), k.data...)
	i := t.current()
	return t.do(len(data), func(w *tx) error {
		return t.store.insertChunk(w, t.staged[i].seq, k.measurement, k.first, data)
	})
}

// insertChunk stores a packed chunk as it is.
func (s *Store) insertChunk(w *tx, seq int64, measurement int, first int64, data []byte) error {
	var cols Columns
	if err := decodeChunk(data, &cols); err != nil {
		return err
	}
	n := cols.Len()
	r, err := s.exec(w, s.stmt.newChunk, seq, measurement, first, n, cols.T[0], cols.T[n-1], data[4:chunkHeader])
	if err != nil {
		return err
	}
	id, err := r.LastInsertId()
	if err != nil {
		return err
	}
	_, err = s.exec(w, s.stmt.newData, id, data)
	return err
}

func (t *taker) traffic(packed []byte) error {
	if !t.now.writes() {
		return nil
	}
	packed = append([]byte(nil), packed...)
	i := t.current()
	return t.do(len(packed), func(w *tx) error {
		_, err := w.exec("INSERT INTO traffic (run, events, dropped) VALUES (?, ?, ?)", t.staged[i].staged, packed, t.staged[i].dropped)
		return err
	})
}

// endRun sums the run up, as its end does where it is measured.
func (t *taker) endRun() error {
	if !t.now.writes() {
		return nil
	}
	i, want := t.current(), t.now.results
	return t.do(0, func(w *tx) error {
		seq := t.staged[i].seq
		var n int64
		if err := w.row("SELECT count(*) FROM results WHERE run = ?", seq).Scan(&n); err != nil {
			return err
		}
		if n != want {
			return errorf(Invalid, "run %s has one result twice", t.staged[i].id)
		}
		readings, results, err := sumsOf(w, seq)
		if err == nil {
			_, err = w.exec("UPDATE runs SET readings_sum = ?, results_sum = ? WHERE seq = ?", readings, results, seq)
		}
		return errors.Join(err, sealRows(w, "runs", "seq = ?", seq))
	})
}

package store

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"hash"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/server/turn"
)

// contentSum is the SHA-256 of what a run says: all but what another server may
// call otherwise (its number, keys and names of its documents, which revisions
// they are there) and what people may change afterwards (its note).
type contentSum [sha256.Size]byte

// runContent works a contentSum out: head, results, chunks, traffic, in this
// order. Each is preceded by its sort and length.
type runContent struct {
	hash.Hash
}

func newRunContent() runContent { return runContent{sha256.New()} }

func (c runContent) add(sort byte, n int64, data []byte) {
	var prefix [17]byte
	prefix[0] = sort
	le.PutUint64(prefix[1:], uint64(len(data)))
	le.PutUint64(prefix[9:], uint64(n))
	c.Write(prefix[:])
	c.Write(data)
}

// head takes the head of a run in; seated is JSON, or nil.
func (c runContent) head(rec *procedure.Record, seated json.RawMessage) error {
	r := *rec
	r.ID, r.Note, r.Origins, r.Seated, r.DeviceRev, r.ProcRev = "", "", nil, nil, 0, 0
	r.Device.Key, r.Device.Name = "", ""
	r.Procedure.Key, r.Procedure.Name, r.Procedure.Device = "", "", ""
	r.PinMap.Device, r.PinMap.Bench = "", ""
	r.Bench.Key, r.Bench.Name = "", ""
	body, err := json.Marshal(&r)
	if err != nil {
		return err
	}
	c.add('h', 0, body)
	c.add('s', 0, seated)
	return nil
}

func (c runContent) result(x *bundledResult) error {
	line, err := json.Marshal(x)
	if err == nil {
		c.add('r', 0, line)
	}
	return err
}

func (c runContent) chunk(measurement int, first int64, data []byte) {
	c.add('m', int64(measurement), nil)
	c.add('c', first, data)
}

func (c runContent) traffic(dropped int64, packed []byte) { c.add('t', dropped, packed) }

func (c runContent) sum() contentSum { return contentSum(c.Sum(nil)) }

// readRun reads all that belongs to a run that has ended, each part held against
// its checksums, and gives it to a visitor. What is damaged of it is an error,
// Corrupt, before or after some of it was given.
func (s *Store) readRun(ctx context.Context, id string, to bundleVisitor) error {
	rec, err := s.GetRun(ctx, id)
	if err != nil {
		return err
	}
	if rec.Status == procedure.Running {
		return errorf(Conflict, "the run is at work")
	}
	head := &runHead{Run: *rec}
	head.Seated, _ = rec.Seated.(json.RawMessage)
	head.Run.Seated = nil
	packed, dropped, err := s.packedTraffic(ctx, id)
	if err != nil {
		return err
	}
	if packed != nil {
		head.Traffic = &dropped
	}
	if err := to.run(head); err != nil {
		return err
	}
	if err := s.readResults(ctx, id, to); err != nil {
		return err
	}
	var n int64
	var cols Columns
	err = s.Chunks(ctx, id, AllMeasurements, 0, func(k Chunk) error {
		cols.Reset()
		if err := k.Decode(&cols); err != nil {
			return s.readingsError(id, err)
		}
		n += int64(cols.Len())
		return to.chunk(bundledChunk{k.Measurement, k.First, k.data})
	})
	if err == nil && n != rec.Readings {
		err = s.damaged("readings of run " + id)
	}
	if err == nil && packed != nil {
		err = to.traffic(packed)
	}
	return errors.Join(err, turn.Pass(ctx))
}

// readResults reads the results of a run with their budgets.
func (s *Store) readResults(ctx context.Context, id string, to bundleVisitor) error {
	results, err := s.Budgets(ctx, id)
	if err != nil {
		return err
	}
	for i := range results {
		x := &results[i]
		if x.Outcome == derive.Damaged || budgetDamaged(x) {
			return errorf(Corrupt, "results of run %s are damaged: what the disk has is not what was stored", id)
		}
		b, err := bundled(x)
		if err == nil {
			err = to.result(b)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// packedTraffic returns the traffic of a run as it is stored, after reading all
// of it; nil where there is none.
func (s *Store) packedTraffic(ctx context.Context, id string) (packed []byte, dropped int64, err error) {
	t, err := s.Traffic(ctx, id)
	if CodeOf(err) == NotFound {
		return nil, 0, nil
	}
	if isDamage(err) {
		return nil, 0, s.damaged("the traffic of run " + id)
	}
	if err != nil {
		return nil, 0, err
	}
	err = s.reader(ctx).QueryRowContext(ctx, "SELECT events FROM traffic WHERE run = ?", id).Scan(&packed)
	return packed, int64(t.Dropped), wrap("traffic", err)
}

// contentOf is the content of a run that is kept here.
func (s *Store) contentOf(ctx context.Context, id string) (contentSum, error) {
	v := &contentVisitor{sum: newRunContent()}
	err := s.readRun(ctx, id, v)
	return v.sum.sum(), err
}

// contentVisitor works the content of one run out.
type contentVisitor struct {
	sum      runContent
	dropped  int64
	results  int64
	readings int64
}

func (v *contentVisitor) document(documentHead) error      { return nil }
func (v *contentVisitor) revision(*documentRevision) error { return nil }
func (v *contentVisitor) endDocument() error               { return nil }
func (v *contentVisitor) endRun() error                    { return nil }

func (v *contentVisitor) run(h *runHead) error {
	if h.Traffic != nil {
		v.dropped = *h.Traffic
	}
	v.readings = h.Run.Readings
	return v.sum.head(&h.Run, h.Seated)
}

func (v *contentVisitor) result(x *bundledResult) error {
	v.results++
	return v.sum.result(x)
}

func (v *contentVisitor) chunk(k bundledChunk) error {
	v.sum.chunk(k.measurement, k.first, k.data)
	return nil
}

func (v *contentVisitor) traffic(packed []byte) error {
	v.sum.traffic(v.dropped, packed)
	return nil
}

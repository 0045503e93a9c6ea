package liverun

import (
	"context"
	"fmt"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
	"ohmkeep/server/turn"
	"ohmkeep/store"
)

const (
	// keepFrom is how many readings a picture must have more than the kept one
	// to be kept: fewer are read and gathered again in a few milliseconds, and
	// what is written to the disk counts.
	keepFrom = 64 << 10
	// keepEvery is how many readings more make it worth keeping a picture on the
	// way, so that a server that was killed has few to go through again.
	keepEvery = 1 << 20
	// keepWithin bounds one write of a picture.
	keepWithin = 30 * time.Second
)

// Picture returns the picture of a stored measurement, made of all its
// readings: the kept one, and what has been read since. Where that is much, it
// is gathered as a report, in its turn (turn.Do), and the picture is kept for
// whoever comes next. Of several who ask for one at once, one does the work; of
// one who leaves meanwhile, what was gathered is kept.
func (rs *Runs) Picture(ctx context.Context, rec *procedure.Record, m int) (*Picture, error) {
	leave, err := rs.enter(ctx, fmt.Sprint(rec.ID, "/", m))
	if err != nil {
		return nil, err
	}
	defer leave()
	p, kept, err := rs.kept(ctx, rec, m)
	if whole, left := err == nil, ctx.Err() != nil; (whole || left) && p != nil && p.readings-kept >= keepFrom {
		if err := rs.keep(ctx, rec.ID, m, p); err != nil {
			rs.log.Error("picture not kept", "run", rec.ID, "measurement", m, "err", err)
		}
	}
	if err != nil {
		return nil, err
	}
	return p, nil
}

// enter locks a name: it waits until nobody else works under it.
func (rs *Runs) enter(ctx context.Context, name string) (leave func(), err error) {
	for {
		rs.mu.Lock()
		other := rs.making[name]
		if other == nil {
			mine := make(chan struct{})
			rs.making[name] = mine
			rs.mu.Unlock()
			return func() {
				rs.mu.Lock()
				delete(rs.making, name)
				rs.mu.Unlock()
				close(mine)
			}, nil
		}
		rs.mu.Unlock()
		select {
		case <-other:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// kept returns the kept picture with all that has been read since, and of how
// many readings it was made when it was kept. A kept one that cannot be used, or
// that claims readings that are not there, is made anew from the readings. With
// an error the picture is as far as it has come.
func (rs *Runs) kept(ctx context.Context, rec *procedure.Record, m int) (p *Picture, kept int64, err error) {
	shape := ShapeOf(rec, m)
	data, err := rs.store.Picture(ctx, rec.ID, m)
	if err != nil {
		return nil, 0, err
	}
	if data != nil {
		if p, err = DecodePicture(data, shape); err != nil {
			rs.log.Warn("kept picture not used", "run", rec.ID, "measurement", m, "err", err)
		} else if kept = p.readings; kept > 0 {
			there, err := rs.goOn(ctx, rec.ID, m, p)
			if err != nil || there {
				return p, kept, err
			}
			rs.log.Warn("kept picture not used", "run", rec.ID, "measurement", m, "err", "it is made of more readings than there are")
		}
	}
	p = NewPicture(shape)
	_, err = rs.goOn(ctx, rec.ID, m, p)
	return p, 0, err
}

// goOn adds the stored readings that a picture does not have yet: many as a
// report does, in its turn and with a report's connections. It reports whether
// the last reading of the picture is stored.
func (rs *Runs) goOn(ctx context.Context, run string, m int, p *Picture) (there bool, err error) {
	stored, err := rs.store.PackedReadings(ctx, run, m)
	if err != nil {
		return false, err
	}
	if stored-p.readings < keepFrom {
		return goOn(ctx, rs.store, run, m, p)
	}
	err = turn.Do(store.From(ctx, store.Reports), func(ctx context.Context) (err error) {
		there, err = goOn(ctx, rs.store, run, m, p)
		return err
	})
	return there, err
}

func goOn(ctx context.Context, s *store.Store, run string, m int, p *Picture) (there bool, err error) {
	had := p.readings
	from := max(had-1, 0)
	var rs []bench.Reading
	err = s.Readings(ctx, run, m, from, func(first int64, c *store.Columns) error {
		rs = rs[:0]
		for i := range c.Len() {
			if first+int64(i) >= had {
				rs = append(rs, c.At(i))
			}
		}
		there = true
		p.Add(rs)
		return ctx.Err()
	})
	return there || had == 0, err
}

func (rs *Runs) keep(ctx context.Context, run string, m int, p *Picture) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), keepWithin)
	defer cancel()
	return rs.store.KeepPicture(ctx, run, m, p.readings, p.Append(nil))
}

// keepable returns the pictures of the run that are to be stored now: of
// measurements that are over, where they have become much longer; and of one
// at work, now and then. What is over is forgotten: whoever asks gets it from
// the store.
func (b *liveRun) keepable() map[int]*Picture {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.rec.Manual { // in memory alone: there is nothing that a picture belongs to
		return nil
	}
	out := map[int]*Picture{}
	for m, p := range b.pictures {
		least := int64(keepEvery)
		over := b.rec.Status != procedure.Running || m != b.at.Measurement
		if over {
			least = keepFrom
		}
		if p.readings-b.keptOf[m] >= least {
			out[m], b.keptOf[m] = p, p.readings
			if !over {
				out[m] = p.Clone()
			}
		}
		if over && b.rec.Status == procedure.Running {
			delete(b.pictures, m)
			b.gone[m] = true
		}
	}
	return out
}

// keepPictures stores the pictures that are due. What fails is tried again
// with more readings, or made by whoever asks for it.
func (rs *Runs) keepPictures(b *liveRun) {
	if rs.store == nil {
		return
	}
	for m, p := range b.keepable() {
		if err := rs.keep(context.Background(), b.rec.ID, m, p); err != nil {
			rs.log.Error("picture not kept", "run", b.rec.ID, "measurement", m, "err", err)
		}
	}
}

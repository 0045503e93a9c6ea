package liverun

import (
	"context"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// Stored gathers the picture of a measurement from what the store holds.
func Stored(ctx context.Context, s *store.Store, rec *procedure.Record, m int) (*Picture, error) {
	p := NewPicture(ShapeOf(rec, m))
	var rs []bench.Reading
	err := s.Readings(ctx, rec.ID, m, p.Readings(), func(_ int64, c *store.Columns) error {
		rs = rs[:0]
		for i := range c.Len() {
			rs = append(rs, c.At(i))
		}
		p.Add(rs)
		return nil
	})
	return p, err
}

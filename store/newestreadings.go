package store

import (
	"context"

	"ohmkeep/server/bench"
)

// LastReadings returns the newest readings of a measurement, at most n, oldest
// first.
func (s *Store) LastReadings(ctx context.Context, runID string, measurement, n int) ([]bench.Reading, error) {
	seq, err := s.seqOf(ctx, runID)
	if err != nil {
		return nil, err
	}
	var end int64
	err = s.view(ctx, func(q querier) error {
		tail, err := tailChunks(ctx, q, seq, measurement, measurement)
		if err == nil && len(tail) > 0 {
			end = tail[0].First + int64(tail[0].Count)
			return nil
		}
		if err == nil {
			end, err = chunksEnd(ctx, q, seq, measurement)
		}
		return err
	})
	if err != nil || end == 0 {
		return nil, wrap("last readings", err)
	}
	out := make([]bench.Reading, 0, n)
	err = s.Readings(ctx, runID, measurement, max(end-int64(n), 0), func(_ int64, c *Columns) error {
		for i := range c.Len() {
			out = append(out, c.At(i))
		}
		return nil
	})
	return out[max(len(out)-n, 0):], err
}

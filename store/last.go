package store

import (
	"context"
	"database/sql"
	"errors"

	"ohmkeep/server/bench"
)

// LastReadings returns the newest readings of a measurement, at most n, oldest
// first.
func (s *Store) LastReadings(ctx context.Context, runID string, measurement, n int) ([]bench.Reading, error) {
	seq, err := s.seqOf(ctx, runID)
	if err != nil {
		return nil, err
	}
	var end sql.NullInt64
	err = s.reader(ctx).QueryRowContext(ctx, `SELECT first + count FROM chunks WHERE run = ? AND measurement = ?
		ORDER BY first DESC LIMIT 1`, seq, measurement).Scan(&end)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, wrap("last readings", err)
	}
	out := make([]bench.Reading, 0, n)
	err = s.Readings(ctx, runID, measurement, max(end.Int64-int64(n), 0), func(_ int64, c *Columns) error {
		for i := range c.Len() {
			out = append(out, c.At(i))
		}
		return nil
	})
	return out[max(len(out)-n, 0):], err
}

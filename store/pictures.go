package store

import (
	"context"
	"database/sql"
	"errors"
)

// Picture returns the kept picture of a measurement, nil where there is none or
// it is damaged: it can be made anew.
// The store does not know what it means.
func (s *Store) Picture(ctx context.Context, runID string, measurement int) ([]byte, error) {
	seq, err := s.seqOf(ctx, runID)
	if err != nil {
		return nil, err
	}
	var picture []byte
	err = s.reader(ctx).QueryRowContext(ctx, "SELECT picture FROM pictures WHERE run = ? AND measurement = ? AND "+soundSQL("pictures"),
		seq, measurement).Scan(&picture)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	return picture, wrap("picture", err)
}

// KeepPicture keeps the picture of a measurement, which is made of that many of
// its readings. It leaves alone one that is made of more. There must be such a
// run, else NotFound.
func (s *Store) KeepPicture(ctx context.Context, runID string, measurement int, readings int64, picture []byte) error {
	return s.update(ctx, "keep picture", func(t *tx) error {
		var seq int64
		if err := t.row("SELECT seq FROM runs WHERE id = ? AND "+notDeleting, runID).Scan(&seq); err != nil {
			return missing(err, "there is no run %s", runID)
		}
		_, err := t.exec(`INSERT INTO pictures (run, measurement, readings, picture) VALUES (?, ?, ?, ?)
			ON CONFLICT (run, measurement) DO UPDATE SET readings = excluded.readings, picture = excluded.picture
			WHERE excluded.readings >= pictures.readings`, seq, measurement, readings, picture)
		return errors.Join(err, sealRows(t, "pictures", "run = ? AND measurement = ?", seq, measurement))
	})
}

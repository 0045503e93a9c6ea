package store

import (
	"context"
	"database/sql"
	"time"
)

// Share is a read-only link to one run. Its secret is shown once, when made.
type Share struct {
	ID      int64     `json:"id"`
	By      string    `json:"by"`
	Created time.Time `json:"created"`
	Expires time.Time `json:"expires,omitzero"` // zero: never
	Revoked time.Time `json:"revoked,omitzero"`
}

// NewShare makes a share link to a run and returns its secret, shown once, and
// its id; a zero expires means never.
func (s *Store) NewShare(ctx context.Context, runID, by string, expires time.Time) (secret string, id int64, err error) {
	secret, hash := newSecret()
	err = s.update(ctx, "new share", func(t *tx) error {
		if !expires.IsZero() && expires.UnixNano() <= t.at {
			return errorf(Invalid, "the link would have expired already")
		}
		err := t.row(`INSERT INTO shares (hash, run, by, created, expires) SELECT ?, seq, ?, ?, ? FROM runs WHERE id = ? AND `+notDeleting+`
			RETURNING id`, hash, by, t.at, timeOrNull(expires), runID).Scan(&id)
		return missing(err, "there is no run %s", runID)
	})
	return secret, id, err
}

// SharedRun returns the id of the run that a share link shows. An unknown,
// expired or revoked link is Denied. It reads from the control pool, as every
// look-up of who asks.
func (s *Store) SharedRun(ctx context.Context, secret string) (runID string, err error) {
	err = s.reader(From(ctx, Control)).QueryRowContext(ctx, `SELECT runs.id FROM shares JOIN runs ON seq = run
		WHERE hash = ? AND revoked IS NULL AND (expires IS NULL OR expires > ?) AND `+notDeleting,
		hashOf(secret), s.now().UnixNano()).Scan(&runID)
	if CodeOf(missing(err, "")) == NotFound {
		return "", errorf(Denied, "this link has expired or was revoked")
	}
	return runID, wrap("shared run", err)
}

// ListShares lists a run's share links, newest first.
func (s *Store) ListShares(ctx context.Context, runID string) ([]Share, error) {
	var out []Share
	err := s.rows(ctx, `SELECT shares.id, by, created, expires, revoked FROM shares JOIN runs ON seq = run
		WHERE runs.id = ? AND `+notDeleting+` ORDER BY shares.id DESC`, []any{runID}, func(r *sql.Rows) error {
		var x Share
		var created int64
		var expires, revoked sql.NullInt64
		if err := r.Scan(&x.ID, &x.By, &created, &expires, &revoked); err != nil {
			return err
		}
		x.Created, x.Expires, x.Revoked = timeOf(created), timeOfNull(expires), timeOfNull(revoked)
		out = append(out, x)
		return nil
	})
	return out, wrap("list shares", err)
}

// RevokeShare makes a share link void for good.
func (s *Store) RevokeShare(ctx context.Context, id int64) error {
	return s.revoke(ctx, "share link", "UPDATE shares SET revoked = ? WHERE id = ? AND revoked IS NULL", id)
}

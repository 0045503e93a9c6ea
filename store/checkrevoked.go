package store

import (
	"context"
	"database/sql"
)

// revocations selects what the log says was taken back and whose row says that it
// was not. An older row, put back whole, fits its own seal; the log has its own.
const revocations = `SELECT 'token ' || name || ', number ' || id FROM tokens
		WHERE revoked IS NULL AND 'token ' || id IN (SELECT subject FROM events WHERE action = 'revoke token')
	UNION ALL SELECT 'share link ' || id || ' to ' || kind || ' ' || subject FROM shares
		WHERE revoked IS NULL AND id || ' ' || subject IN (SELECT detail || ' ' || subject FROM events WHERE action = 'revoke share')
	UNION ALL SELECT 'person ' || name FROM persons
		WHERE removed IS NULL AND 'person ' || id IN (SELECT subject FROM events WHERE action = 'remove person')`

// revoked holds what gives access against the log of what was taken back.
func (c *checker) revoked(ctx context.Context) error {
	err := c.store.rows(ctx, revocations, nil, func(r *sql.Rows) error {
		var called string
		if err := r.Scan(&called); err != nil {
			return err
		}
		c.found(called, "the log says that it was taken back, and its row that it was not")
		return nil
	})
	return c.damage("what was taken back", err)
}

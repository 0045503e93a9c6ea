package store

import (
	"context"
	"database/sql"
)

// contradicted are, for the tables of what gives access, the conditions that the log
// says something was taken back and the row says that it was not. An older row, put
// back whole, fits its own seal; the log has its own. Numbers of these rows are never
// given twice (AUTOINCREMENT), so that a line of the log means one row for ever.
var contradicted = map[string]string{
	"tokens": `tokens.revoked IS NULL AND EXISTS (SELECT 1 FROM events
		WHERE events.subject = 'token ' || tokens.id AND events.action = 'revoke token')`,
	"invitations": `invitations.revoked IS NULL AND EXISTS (SELECT 1 FROM events
		WHERE events.subject = 'invitation ' || invitations.id AND events.action = 'revoke invitation')`,
	"shares": `shares.revoked IS NULL AND EXISTS (SELECT 1 FROM events
		WHERE events.subject = shares.subject AND events.action = 'revoke share' AND events.detail = CAST(shares.id AS TEXT))`,
	"sessions": `EXISTS (SELECT 1 FROM events
		WHERE events.subject = 'browser ' || sessions.id AND events.action = '` + signOut + `')`,
	"persons": `persons.removed IS NULL AND EXISTS (SELECT 1 FROM events
			WHERE events.subject = 'person ' || persons.id AND events.action = 'remove person')
		OR persons.suspended IS NULL AND 'suspend person' = (SELECT events.action FROM events
			WHERE events.subject = 'person ' || persons.id AND events.action IN ('suspend person', 'resume person') ORDER BY events.id DESC LIMIT 1)
		OR (SELECT events.detail FROM events
			WHERE events.subject = 'person ' || persons.id AND events.action = 'change role' ORDER BY events.id DESC LIMIT 1) NOT LIKE '%, ' || persons.role`,
}

// standsSQL is the condition that a row which gives access is as it was written, and
// that nothing in the log contradicts it.
func standsSQL(table string) string {
	return "(" + soundSQL(table) + " AND NOT (" + coalesced(contradicted[table]) + "))"
}

// coalesced has a condition that is not known count as not met.
func coalesced(condition string) string { return "coalesce(" + condition + ", 0)" }

// accessNames say what a row that gives access is called, in SQL.
var accessNames = map[string]string{
	"tokens":      "'token ' || name || ', number ' || id",
	"invitations": "'invitation ' || id",
	"shares":      "'share link ' || id || ' to ' || kind || ' ' || subject",
	"sessions":    "'browser ' || id",
	"persons":     "'person ' || name",
}

// revoked holds what gives access against the log of what was taken back.
func (c *checker) revoked(ctx context.Context) error {
	for table, condition := range contradicted {
		err := c.store.rows(ctx, "SELECT "+accessNames[table]+" FROM "+table+" WHERE "+condition, nil, func(r *sql.Rows) error {
			var called string
			if err := r.Scan(&called); err != nil {
				return err
			}
			c.found(called, "the log says that it was taken back, and its row that it was not")
			return nil
		})
		if err := c.damage("what was taken back", err); err != nil {
			return err
		}
	}
	return nil
}

package store

import (
	"cmp"
	"context"
	"database/sql"
	"slices"
)

// AccessChange is one thing that gives access in one of two databases and not
// in the other, or with another role: what going back to a backup would change.
type AccessChange struct {
	What string // "person Ann", "token script of Ann", "share link to run 01a2…, made by Ann"
	Now  string // what it gives in the present database: a role, or "reading"; "": nothing
	Then string // what it gives in the backup
}

// goodAccess selects all that gives access at a time: a key that is the same in
// a backup, what it is in words, and what it gives. Links that a start prints
// are left out: each start makes those of before void.
var goodAccess = `SELECT 'person ' || id || ' ' || created, 'person ' || name, role FROM persons WHERE ` + inGood + `
	UNION ALL SELECT 'token ' || hex(hash), 'token ' || tokens.name || ' of ' || persons.name, tokens.role
		FROM tokens JOIN persons ON persons.id = person WHERE (expires IS NULL OR expires > ?1) AND revoked IS NULL AND ` + standsSQL("tokens") + ` AND ` + inGood + `
	UNION ALL SELECT 'browser ' || hex(hash), 'browser ' || CASE browser WHEN '' THEN '' ELSE browser || ' ' END || 'of ' || persons.name, persons.role
		FROM sessions JOIN persons ON persons.id = person WHERE expires > ?1 AND ` + standsSQL("sessions") + ` AND ` + inGood + `
	UNION ALL SELECT 'share ' || hex(hash), 'share link to ' || kind || ' ' || subject || ', made by ' || by, 'reading'
		FROM shares WHERE (expires IS NULL OR expires > ?1) AND revoked IS NULL AND ` + standsSQL("shares") + ` AND ` + ofNoDeletedRun + `
	UNION ALL SELECT 'invitation ' || hex(hash), CASE kind WHEN '` + BrowserLink + `' THEN 'link for one more browser' ELSE 'invitation' END || ', made by ' || by, role
		FROM invitations WHERE kind <> '` + StartInvitation + `' AND expires > ?1 AND revoked IS NULL AND used < uses AND ` + standsSQL("invitations")

// granted returns all that gives access at a time, by key.
func (s *Store) granted(ctx context.Context, at int64) (map[string]AccessChange, error) {
	out := map[string]AccessChange{}
	err := s.rows(ctx, goodAccess, []any{at}, func(r *sql.Rows) error {
		var key string
		var g AccessChange
		err := r.Scan(&key, &g.What, &g.Now)
		out[key] = g
		return err
	})
	return out, wrap("compare access", err)
}

// accessBeyond returns what a backup would change of who has access, by name:
// first what would give access again.
func (s *Store) accessBeyond(ctx context.Context, backup *Store) ([]AccessChange, error) {
	at := s.now().UnixNano() // of both: what has expired by now is good in neither
	here, err := s.granted(ctx, at)
	if err != nil {
		return nil, err
	}
	there, err := backup.granted(ctx, at)
	if err != nil {
		return nil, err
	}
	var out []AccessChange
	for key, g := range here {
		if then := there[key].Now; then != g.Now {
			out = append(out, AccessChange{What: g.What, Now: g.Now, Then: then})
		}
	}
	for key, g := range there {
		if _, known := here[key]; !known {
			out = append(out, AccessChange{What: g.What, Then: g.Now})
		}
	}
	slices.SortFunc(out, func(a, b AccessChange) int {
		return cmp.Or(cmp.Compare(a.order(), b.order()), cmp.Compare(a.What, b.What))
	})
	return out, nil
}

// order is the place of a change in a list: access that comes back, that changes,
// that ends.
func (c *AccessChange) order() int {
	switch {
	case c.Now == "":
		return 0
	case c.Then != "":
		return 1
	}
	return 2
}

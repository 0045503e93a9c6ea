package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"ohmkeep/server/dut"
)

// Revised is one revision of a document.
type Revised[T any] struct {
	Body    T
	Rev     int // of this body, from 1
	Latest  int // of the document
	At      time.Time
	By      string
	Removed bool
}

// Revision is one line of a document's history.
type Revision struct {
	Rev int       `json:"rev"`
	At  time.Time `json:"at"`
	By  string    `json:"by"`
}

// documentKind is the storage of one kind of document: its tables, its columns
// and its check. All four kinds share the code below.
type documentKind[T any] struct {
	name             string // for messages
	heads, revisions string // tables
	columns          []string
	// head returns the document's key, its name and the values of columns.
	head  func(*T) (key, name string, values []any)
	check func(*T) error
}

// text checks a document and returns it as it is stored.
func (n *documentKind[T]) text(body *T) (string, error) {
	if err := n.check(body); err != nil {
		return "", &Error{Code: Invalid, Message: err.Error(), Err: err}
	}
	text, err := json.Marshal(body)
	if err != nil {
		return "", &Error{Code: Invalid, Message: "the " + n.name + " holds a value that is not a number", Err: err}
	}
	return string(text), nil
}

func checkKey(field, key string) error {
	if !dut.KeyPattern.MatchString(key) {
		return dut.Problems{{Field: field, Message: "use lower-case letters, digits and hyphens, at most 64"}}
	}
	return nil
}

// save stores a new revision and returns its number. Expected is the revision
// that the editor started from, 0 for a new document; any other than the
// latest is a Conflict. A body that has not changed makes no new revision. A
// removed document comes back with expected 0 or its latest revision.
func save[T any](ctx context.Context, s *Store, n *documentKind[T], body *T, expected int, by string) (rev int, err error) {
	text, err := n.text(body)
	if err != nil {
		return 0, err
	}
	key, _, _ := n.head(body)
	err = s.update(ctx, "save "+n.name, func(t *tx) error {
		var removed sql.NullInt64
		var latest string
		err := t.row(`SELECT h.rev, h.removed, r.body FROM `+n.heads+` h JOIN `+n.revisions+` r USING (key, rev) WHERE h.key = ?`, key).
			Scan(&rev, &removed, &latest)
		if errors.Is(err, sql.ErrNoRows) {
			err = nil
		}
		if err != nil {
			return err
		}
		if expected != rev && !(expected == 0 && removed.Valid) {
			return stale(n.name, key, expected, rev)
		}
		if rev > 0 && !removed.Valid && latest == text {
			return nil
		}
		rev++
		return n.saveRevision(t, body, text, rev, by)
	})
	if err != nil {
		return 0, err
	}
	return rev, nil
}

// renew stores a new revision after all that there are of a document, whatever
// they hold, and returns its number: the document can be read again although
// its latest revision is damaged. Those before stay as they are.
func renew[T any](ctx context.Context, s *Store, n *documentKind[T], body *T, by string) (rev int, err error) {
	text, err := n.text(body)
	if err != nil {
		return 0, err
	}
	key, _, _ := n.head(body)
	err = s.update(ctx, "renew "+n.name, func(t *tx) error {
		if err := t.row("SELECT coalesce(max(rev), 0) + 1 FROM "+n.revisions+" WHERE key = ?", key).Scan(&rev); err != nil {
			return err
		}
		return n.saveRevision(t, body, text, rev, by)
	})
	return rev, err
}

func stale(name, key string, expected, latest int) error {
	switch {
	case latest == 0:
		return errorf(NotFound, "there is no %s %s", name, key)
	case expected == 0:
		return errorf(Conflict, "there is already a %s %s", name, key)
	}
	return errorf(Conflict, "the %s was changed meanwhile: it is at revision %d, this edit started from %d", name, latest, expected)
}

// saveRevision stores a revision, and makes it the document's latest.
func (n *documentKind[T]) saveRevision(t *tx, body *T, text string, rev int, by string) error {
	key, name, values := n.head(body)
	if err := saveHead(t, n.heads, n.columns, key, name, rev, values); err != nil {
		return err
	}
	_, err := t.exec(`INSERT INTO `+n.revisions+` (key, rev, at, by, body) VALUES (?, ?, ?, ?, ?)`, key, rev, t.at, by, text)
	return errors.Join(err, sealRows(t, n.revisions, "key = ? AND rev = ?", key, rev))
}

// saveHead stores the head of a document: its name and latest revision, and the
// values of the columns that its kind has beside them.
func saveHead(t *tx, heads string, further []string, key, name string, rev int, values []any) error {
	columns := append([]string{"key", "name", "rev"}, further...)
	var set []string
	for _, c := range columns[1:] {
		set = append(set, c+" = excluded."+c)
	}
	_, err := t.exec(fmt.Sprintf(`INSERT INTO %s (%s) VALUES (?%s) ON CONFLICT (key) DO UPDATE SET %s, removed = NULL`,
		heads, strings.Join(columns, ", "), strings.Repeat(", ?", len(columns)-1), strings.Join(set, ", ")),
		append([]any{key, name, rev}, values...)...)
	return errors.Join(err, sealRows(t, heads, "key = ?", key))
}

// revisedColumns are what is read of a revision and its document, the heads as h
// and the revisions as r; last whether both fit their seals.
func (n *documentKind[T]) revisedColumns() string {
	return `r.body, r.rev, h.rev, r.at, r.by, h.removed IS NOT NULL, ` + soundAs(n.heads, "h") + ` AND ` + soundAs(n.revisions, "r")
}

func scanRevised[T any](scan func(...any) error, r *Revised[T]) error {
	var body string
	var at int64
	var sound bool
	if err := scan(&body, &r.Rev, &r.Latest, &at, &r.By, &r.Removed, &sound); err != nil {
		return err
	}
	if !sound {
		return errUnsound
	}
	r.At = timeOf(at)
	return json.Unmarshal([]byte(body), &r.Body)
}

// get returns a revision, 0 for the latest. Removed documents are found too:
// old pages point at them.
func get[T any](ctx context.Context, s *Store, n *documentKind[T], key string, rev int) (*Revised[T], error) {
	r := new(Revised[T])
	err := scanRevised(s.reader(ctx).QueryRowContext(ctx, `SELECT `+n.revisedColumns()+` FROM `+n.heads+` h JOIN `+n.revisions+` r USING (key)
		WHERE key = ?1 AND r.rev = CASE ?2 WHEN 0 THEN h.rev ELSE ?2 END`, key, rev).Scan, r)
	if err != nil {
		what := n.name + " " + key
		if rev != 0 {
			what = fmt.Sprintf("revision %d of %s", rev, what)
		}
		if isDamage(err) {
			return nil, s.damaged(what)
		}
		return nil, wrap("get "+n.name, missing(err, "there is no %s", what))
	}
	return r, nil
}

// list returns the latest revisions of documents that are not removed, by
// name. Damaged ones are left out, and noted. Where is an SQL condition on the head, h.
func list[T any](ctx context.Context, s *Store, n *documentKind[T], where string, args ...any) ([]Revised[T], error) {
	out, _, err := listWhere(ctx, s, n, where, "", args...)
	return out, err
}

// listWhere is list with a limit in SQL; keys are those of all documents, damaged
// ones too.
func listWhere[T any](ctx context.Context, s *Store, n *documentKind[T], where, limit string, args ...any) (out []Revised[T], keys []string, err error) {
	err = s.rows(ctx, `SELECT h.key, `+n.revisedColumns()+` FROM `+n.heads+` h CROSS JOIN `+n.revisions+` r USING (key, rev)
		WHERE h.removed IS NULL AND (`+where+`) ORDER BY h.name, h.key `+limit, args, func(rows *sql.Rows) error {
		var r Revised[T]
		var key string
		err := scanRevised(func(into ...any) error { return rows.Scan(append([]any{&key}, into...)...) }, &r)
		keys = append(keys, key)
		if isDamage(err) {
			_ = s.damaged(n.name + " " + key) // said apart: the others can be used
			return nil
		}
		if err != nil {
			return err
		}
		out = append(out, r)
		return nil
	})
	return out, keys, wrap("list "+n.heads, err)
}

// listPage returns, by name, the latest revisions of at most limit documents
// that are not removed and come after the one of a key ("" for the first), and
// the key that the next page comes after, "" on the last. A key that no
// document ever had is Invalid. Where is an SQL condition on the head, h.
func listPage[T any](ctx context.Context, s *Store, n *documentKind[T], after string, limit int, where string, args ...any) ([]Revised[T], string, error) {
	if limit < 1 {
		return nil, "", errorf(Invalid, "a page needs at least one row")
	}
	if after != "" {
		var name string
		err := s.reader(ctx).QueryRowContext(ctx, `SELECT name FROM `+n.heads+` WHERE key = ?`, after).Scan(&name)
		if errors.Is(err, sql.ErrNoRows) {
			return nil, "", errNotOfList
		}
		if err != nil {
			return nil, "", wrap("list "+n.heads, err)
		}
		where, args = "("+where+") AND (h.name, h.key) > (?, ?)", append(args, name, after)
	}
	out, keys, err := listWhere(ctx, s, n, where, fmt.Sprintf("LIMIT %d", limit+1), args...)
	if err != nil || len(keys) <= limit {
		return out, "", err
	}
	if end := len(out); end > 0 {
		if last, _, _ := n.head(&out[end-1].Body); last == keys[limit] {
			out = out[:end-1] // the first of the next page
		}
	}
	return out, keys[limit-1], nil
}

// history lists a document's revisions, newest first.
func history[T any](ctx context.Context, s *Store, n *documentKind[T], key string) ([]Revision, error) {
	var out []Revision
	err := s.rows(ctx, `SELECT rev, at, by FROM `+n.revisions+` WHERE key = ? ORDER BY rev DESC`, []any{key}, func(rows *sql.Rows) error {
		var r Revision
		var at int64
		if err := rows.Scan(&r.Rev, &at, &r.By); err != nil {
			return err
		}
		r.At = timeOf(at)
		out = append(out, r)
		return nil
	})
	if err == nil && len(out) == 0 {
		err = errorf(NotFound, "there is no %s %s", n.name, key)
	}
	return out, wrap("revisions", err)
}

// remove takes a document out of the lists. Its revisions stay, since runs
// and old addresses point at them.
func remove[T any](ctx context.Context, s *Store, n *documentKind[T], key string, allowed func(*tx) error) error {
	return s.update(ctx, "remove "+n.name, func(t *tx) error {
		if allowed != nil {
			if err := allowed(t); err != nil {
				return err
			}
		}
		changed, err := t.exec(`UPDATE `+n.heads+` SET removed = ?1, seal = `+resealSQL(n.heads, map[string]string{"removed": "?1"})+
			` WHERE key = ?2 AND removed IS NULL`, t.at, key)
		if err == nil && changed == 0 {
			err = errorf(NotFound, "there is no %s %s", n.name, key)
		}
		return err
	})
}

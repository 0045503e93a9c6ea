package store

import (
	"context"
	"database/sql"
	"errors"
	"strconv"
	"time"
)

// Browser is a signed-in browser of a person, as lists show it.
type Browser struct {
	ID      int64     `json:"id"`
	Person  int64     `json:"person" doc:"number of the person"`
	Name    string    `json:"name" doc:"what its person calls it"`
	Created time.Time `json:"created" doc:"when it signed in"`
	Expires time.Time `json:"expires"`
	Used    time.Time `json:"used" doc:"when it was last used, to a minute"`
	Damaged string    `json:"damaged,omitempty" doc:"why it gives nothing; absent: it is as it was stored"`
}

// NewSession signs a browser in as the person of that name, who is made with
// that role where there is none: what the host does for itself.
func (s *Store) NewSession(ctx context.Context, role Role, name string, length time.Duration) (session string, err error) {
	err = s.update(ctx, "new session", func(t *tx) error {
		id, err := personNamed(t, role, name, Host)
		if err != nil {
			return err
		}
		session, err = newSession(t, id, "", length)
		return err
	})
	return session, err
}

// newSession signs a browser of a person in, and forgets sessions that have
// expired.
func newSession(t *tx, person int64, browser string, length time.Duration) (string, error) {
	if _, err := t.exec("DELETE FROM sessions WHERE expires <= ?", t.at); err != nil {
		return "", err
	}
	until, err := t.until("length", length, false)
	if err != nil {
		return "", err
	}
	secret, hash := newSecret()
	_, err = t.exec("INSERT INTO sessions (hash, person, browser, created, expires, used) VALUES (?, ?, ?, ?, ?, ?)",
		hash, person, browser, t.at, until, t.at)
	if err == nil {
		err = sealRows(t, "sessions", "hash = ?", hash)
	}
	return secret, err
}

// ListBrowsers lists the browsers that are signed in, the one used last first:
// of one person, or of all where person is 0.
func (s *Store) ListBrowsers(ctx context.Context, person int64) ([]Browser, error) {
	var out []Browser
	err := s.rows(ctx, `SELECT id, person, browser, created, expires, used, `+standsSQL("sessions")+` FROM sessions
		WHERE expires > ?1 AND (?2 = 0 OR person = ?2) ORDER BY used DESC, id DESC`, []any{s.now().UnixNano(), person}, func(r *sql.Rows) error {
		var b Browser
		var sound bool
		var created, expires, used int64
		if err := r.Scan(&b.ID, &b.Person, &b.Name, &created, &expires, &used, &sound); err != nil {
			return err
		}
		b.Created, b.Expires, b.Used = timeOf(created), timeOf(expires), timeOf(used)
		if !sound {
			b.Damaged = damagedAccess
		}
		out = append(out, b)
		return nil
	})
	return out, wrap("list browsers", err)
}

const noBrowser = "there is no such browser"

// NameBrowser gives a browser of a person another name; person 0 is anybody's.
func (s *Store) NameBrowser(ctx context.Context, id, person int64, name, by string) error {
	return s.update(ctx, "name browser", func(t *tx) error {
		n, err := t.exec("UPDATE sessions SET "+changed("sessions", map[string]string{"browser": "?1"})+" WHERE id = ?2 AND (?3 = 0 OR person = ?3)", name, id, person)
		if err == nil && n == 0 {
			err = errorf(NotFound, noBrowser)
		}
		if err != nil {
			return err
		}
		return logEvent(t, &Event{By: by, Action: "name browser", Subject: browserSubject(id), Detail: name})
	})
}

// EndBrowser signs a browser of a person out; person 0 is anybody's.
func (s *Store) EndBrowser(ctx context.Context, id, person int64, by string) error {
	return s.update(ctx, "end browser", func(t *tx) error {
		n, err := t.exec("DELETE FROM sessions WHERE id = ?1 AND (?2 = 0 OR person = ?2)", id, person)
		if err == nil && n == 0 {
			err = errorf(NotFound, noBrowser)
		}
		if err != nil {
			return err
		}
		return logEvent(t, &Event{By: by, Action: signOut, Subject: browserSubject(id)})
	})
}

// EndBrowsers signs all browsers of a person out.
func (s *Store) EndBrowsers(ctx context.Context, person int64, by string) error {
	return s.update(ctx, "end browsers", func(t *tx) error {
		n, err := endSessions(t, "person = ?", person)
		if err != nil {
			return err
		}
		return logEvent(t, &Event{By: by, Action: "sign out everywhere", Subject: personSubject(person), Detail: strconv.Itoa(n) + " browsers"})
	})
}

// endSessions signs browsers out by themselves or all at once, each with its line of
// the log, and says how many: the log alone tells that a row which is put back later
// had been taken out.
func endSessions(t *tx, where string, which any) (int, error) {
	rows, err := t.QueryContext(t.ctx, "DELETE FROM sessions WHERE "+where+" RETURNING id, (SELECT name FROM persons WHERE persons.id = person)", which)
	if err != nil {
		return 0, err
	}
	var ended []Event
	for rows.Next() {
		var id int64
		var by string
		if err = rows.Scan(&id, &by); err != nil {
			break
		}
		ended = append(ended, Event{By: by, Action: signOut, Subject: browserSubject(id)})
	}
	if err = errors.Join(err, rows.Err(), rows.Close()); err != nil {
		return 0, err
	}
	for i := range ended {
		if err := logEvent(t, &ended[i]); err != nil {
			return 0, err
		}
	}
	return len(ended), nil
}

// EndSession signs a browser out by its secret. An unknown session is no error.
func (s *Store) EndSession(ctx context.Context, session string) error {
	return s.update(ctx, "end session", func(t *tx) error {
		_, err := endSessions(t, "hash = ?", hashOf(session))
		return err
	})
}

// signOut is what the log calls the end of a browser's session.
const signOut = "sign out"

func browserSubject(id int64) string { return "browser " + strconv.FormatInt(id, 10) }

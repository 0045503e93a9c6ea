package store

import (
	"context"
	"database/sql"
	"strconv"
	"strings"
	"time"
)

// Token is an API token as lists show it: its secret is shown once, when made.
type Token struct {
	ID     int64
	Person int64
	// Role is the most that it gives: never more than its person has.
	Role    Role
	Name    string
	By      string // who made it
	Created time.Time
	Expires time.Time // zero: never
	Used    time.Time // zero: never
	Revoked time.Time // zero: not
	Damaged string    // why it gives nothing; "": it is as it was stored
}

// TokenRequest is what a token is to be.
type TokenRequest struct {
	Person int64 // 0: of the person of that name, who is made where there is none
	Role   Role
	Name   string
	Age    time.Duration // 0: for ever
	By     string
}

// NewToken makes a token that lasts until it is revoked, of the person of that
// name, who is made with that role where there is none.
func (s *Store) NewToken(ctx context.Context, role Role, name string) (secret string, err error) {
	secret, _, err = s.MakeToken(ctx, TokenRequest{Role: role, Name: name, By: Host})
	return secret, err
}

// MakeToken makes a token and returns its secret, shown once, and its number. A
// role above its person's is Forbidden.
func (s *Store) MakeToken(ctx context.Context, q TokenRequest) (secret string, id int64, err error) {
	if err := ofRole(q.Role); err != nil {
		return "", 0, err
	}
	if strings.TrimSpace(q.Name) == "" {
		return "", 0, &Error{Code: Invalid, Message: "a token needs a name", Fields: fieldProblem("name", "say what it is for")}
	}
	secret, hash := newSecret()
	err = s.update(ctx, "new token", func(t *tx) (err error) {
		if q.Person == 0 {
			if q.Person, err = programNamed(t, q.Role, q.Name, q.By); err != nil {
				return err
			}
		}
		p, err := activePerson(t, q.Person)
		if err != nil {
			return err
		}
		if p.Role < q.Role {
			return errorf(problemForbidden, "a token gives no more than its person has, and %s is %s", p.Name, p.Role)
		}
		until, err := t.until("days", q.Age, true)
		if err != nil {
			return err
		}
		err = t.row("INSERT INTO tokens (hash, person, role, name, by, created, expires) VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id",
			hash, q.Person, q.Role.String(), q.Name, q.By, t.at, until).Scan(&id)
		if err == nil {
			err = sealRows(t, "tokens", "id = ?", id)
		}
		if err != nil {
			return err
		}
		return logEvent(t, &Event{By: q.By, Action: "make token", Subject: tokenSubject(id), Detail: q.Name + ", " + q.Role.String() + ", of " + p.Name})
	})
	return secret, id, err
}

// ListTokens lists all tokens, newest first.
func (s *Store) ListTokens(ctx context.Context) ([]Token, error) {
	var out []Token
	err := s.rows(ctx, "SELECT id, person, role, name, by, created, expires, used, revoked, "+standsSQL("tokens")+" FROM tokens ORDER BY id DESC", nil, func(r *sql.Rows) error {
		var t Token
		var sound bool
		var role string
		var created int64
		var expires, used, revoked sql.NullInt64
		if err := r.Scan(&t.ID, &t.Person, &role, &t.Name, &t.By, &created, &expires, &used, &revoked, &sound); err != nil {
			return err
		}
		t.Created, t.Expires, t.Used, t.Revoked = timeOf(created), timeOfNull(expires), timeOfNull(used), timeOfNull(revoked)
		var err error
		if t.Role, err = ParseRole(role); err != nil || !sound { // the others are listed all the same
			t.Role, t.Damaged = Nobody, damagedAccess
		}
		out = append(out, t)
		return nil
	})
	return out, wrap("list tokens", err)
}

// RevokeToken makes a token of a person void for good; person 0 is anybody's.
func (s *Store) RevokeToken(ctx context.Context, id, person int64, by string) error {
	return s.revoke(ctx, "token", "UPDATE tokens SET "+decided("tokens", revokedNow)+" WHERE id = ?2 AND (?3 = 0 OR person = ?3) AND revoked IS NULL",
		&Event{By: by, Action: "revoke token", Subject: tokenSubject(id)}, id, person)
}

// revoke makes something void, with its line in the log.
func (s *Store) revoke(ctx context.Context, what, query string, e *Event, args ...any) error {
	return s.update(ctx, "revoke "+what, func(t *tx) error {
		n, err := t.exec(query, append([]any{t.at}, args...)...)
		if err == nil && n == 0 {
			err = errorf(NotFound, "there is no such %s, or it is revoked already", what)
		}
		if err != nil {
			return err
		}
		return logEvent(t, e)
	})
}

func tokenSubject(id int64) string { return "token " + strconv.FormatInt(id, 10) }

// programNamed returns the person of a token's name, who is made with the
// token's role where there is none: a program that is known by its token.
func programNamed(t *tx, role Role, name, by string) (int64, error) {
	p, err := personCalled(t.ctx, t, name)
	if CodeOf(err) == NotFound {
		return newPerson(t, role, name, by)
	}
	return p.ID, err
}

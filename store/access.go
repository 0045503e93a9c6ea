package store

import (
	"context"
	"database/sql"
	"errors"
	"time"
)

// Access is the person that a secret belongs to, with the role that it gives
// them.
type Access struct {
	Role    Role      `json:"role"`
	Name    string    `json:"name"`
	Expires time.Time `json:"expires,omitzero"` // zero: never
}

// NewStartKey makes a one-time key that signs a browser in as owner. Keys that
// were never used become void.
func (s *Store) NewStartKey(ctx context.Context) (secret string, err error) {
	secret, hash := newSecret()
	err = s.update(ctx, "new start key", func(t *tx) error {
		if _, err := t.exec("DELETE FROM start_keys WHERE used IS NULL"); err != nil {
			return err
		}
		_, err := t.exec("INSERT INTO start_keys (hash, created) VALUES (?, ?)", hash, t.at)
		return err
	})
	return secret, err
}

// UseStartKey exchanges a start key for an owner's session of that length.
// An unknown or used key is Denied.
func (s *Store) UseStartKey(ctx context.Context, key, name string, length time.Duration) (session string, err error) {
	err = s.update(ctx, "use start key", func(t *tx) error {
		n, err := t.exec("UPDATE start_keys SET used = ? WHERE hash = ? AND used IS NULL", t.at, hashOf(key))
		if err != nil {
			return err
		}
		if n == 0 {
			return errorf(Denied, "this link was used already or is out of date: start the server again for a new one")
		}
		session, err = newSession(t, Owner, name, length)
		return err
	})
	return session, err
}

// NewSession signs a browser in.
func (s *Store) NewSession(ctx context.Context, role Role, name string, length time.Duration) (session string, err error) {
	err = s.update(ctx, "new session", func(t *tx) error {
		session, err = newSession(t, role, name, length)
		return err
	})
	return session, err
}

func newSession(t *tx, role Role, name string, length time.Duration) (string, error) {
	if _, err := ParseRole(role.String()); err != nil {
		return "", err
	}
	if _, err := t.exec("DELETE FROM sessions WHERE expires <= ?", t.at); err != nil {
		return "", err
	}
	secret, hash := newSecret()
	_, err := t.exec("INSERT INTO sessions (hash, role, name, created, expires) VALUES (?, ?, ?, ?, ?)",
		hash, role.String(), name, t.at, t.at+int64(length))
	return secret, err
}

// Session returns the person that a browser session belongs to. An unknown or
// expired one is Denied.
func (s *Store) Session(ctx context.Context, session string) (Access, error) {
	return s.access(ctx, "sign in again", `SELECT role, name, expires FROM sessions WHERE hash = ? AND expires > ?`,
		hashOf(session), s.now().UnixNano())
}

// access reads the person that a secret belongs to, from the control pool:
// every request begins with it, a stop too.
func (s *Store) access(ctx context.Context, denied, query string, args ...any) (a Access, err error) {
	var role string
	var expires sql.NullInt64
	err = s.reader(From(ctx, Control)).QueryRowContext(ctx, query, args...).Scan(&role, &a.Name, &expires)
	if errors.Is(err, sql.ErrNoRows) {
		return Access{}, errorf(Denied, "%s", denied)
	}
	if err != nil {
		return Access{}, wrap("access", err)
	}
	a.Expires = timeOfNull(expires)
	a.Role, err = ParseRole(role)
	return a, err
}

// EndSession signs a browser out. An unknown session is no error.
func (s *Store) EndSession(ctx context.Context, session string) error {
	return s.update(ctx, "end session", func(t *tx) error {
		_, err := t.exec("DELETE FROM sessions WHERE hash = ?", hashOf(session))
		return err
	})
}

// Token is an API token as lists show it: its secret is shown once, when made.
type Token struct {
	ID      int64     `json:"id"`
	Role    Role      `json:"role"`
	Name    string    `json:"name"`
	Created time.Time `json:"created"`
	Revoked time.Time `json:"revoked,omitzero"`
}

// NewToken makes an API token.
func (s *Store) NewToken(ctx context.Context, role Role, name string) (secret string, err error) {
	if _, err := ParseRole(role.String()); err != nil {
		return "", err
	}
	if name == "" {
		return "", errorf(Invalid, "a token needs a name")
	}
	secret, hash := newSecret()
	return secret, s.update(ctx, "new token", func(t *tx) error {
		_, err := t.exec("INSERT INTO tokens (hash, role, name, created) VALUES (?, ?, ?, ?)", hash, role.String(), name, t.at)
		return err
	})
}

// TokenAccess returns the person that a token belongs to. An unknown or
// revoked one is Denied.
func (s *Store) TokenAccess(ctx context.Context, secret string) (Access, error) {
	return s.access(ctx, "the token is unknown or revoked",
		`SELECT role, name, NULL FROM tokens WHERE hash = ? AND revoked IS NULL`, hashOf(secret))
}

// ListTokens lists all tokens, newest first.
func (s *Store) ListTokens(ctx context.Context) ([]Token, error) {
	var out []Token
	err := s.rows(ctx, "SELECT id, role, name, created, revoked FROM tokens ORDER BY id DESC", nil, func(r *sql.Rows) error {
		var t Token
		var role string
		var created int64
		var revoked sql.NullInt64
		if err := r.Scan(&t.ID, &role, &t.Name, &created, &revoked); err != nil {
			return err
		}
		t.Created, t.Revoked = timeOf(created), timeOfNull(revoked)
		var err error
		t.Role, err = ParseRole(role)
		out = append(out, t)
		return err
	})
	return out, wrap("list tokens", err)
}

// RevokeToken makes a token void for good.
func (s *Store) RevokeToken(ctx context.Context, id int64) error {
	return s.revoke(ctx, "token", "UPDATE tokens SET revoked = ? WHERE id = ? AND revoked IS NULL", id)
}

func (s *Store) revoke(ctx context.Context, what, query string, id int64) error {
	return s.update(ctx, "revoke "+what, func(t *tx) error {
		n, err := t.exec(query, t.at, id)
		if err == nil && n == 0 {
			err = errorf(NotFound, "there is no such %s, or it is revoked already", what)
		}
		return err
	})
}

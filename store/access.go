package store

import (
	"context"
	"database/sql"
	"errors"
	"slices"
	"time"
)

// KeyKind is the kind of secret that access comes from.
type KeyKind string

// The kinds of secrets that give access.
const (
	SessionKey KeyKind = "browser"
	TokenKey   KeyKind = "token"
	ShareKey   KeyKind = "share"
)

// Access is the person that a secret belongs to, with the role that it gives
// them now: a token never more than its person has.
type Access struct {
	Kind    KeyKind
	ID      int64 // of the session or token
	Person  int64
	Role    Role
	Name    string    // of the person
	Label   string    // of the browser or token
	Expires time.Time // zero: never
	Used    time.Time // when use was last written; zero: never
}

// inGood is the condition that a person may act: neither suspended nor removed, and
// as they were stored.
var inGood = `persons.suspended IS NULL AND persons.removed IS NULL AND ` + standsSQL("persons")

var (
	sessionAccess = `SELECT sessions.id, persons.id, persons.role, persons.role, persons.name, browser, expires, used
		FROM sessions JOIN persons ON persons.id = person WHERE expires > ? AND ` + standsSQL("sessions") + ` AND ` + inGood
	tokenAccess = `SELECT tokens.id, persons.id, persons.role, tokens.role, persons.name, tokens.name, expires, used
		FROM tokens JOIN persons ON persons.id = person WHERE (expires IS NULL OR expires > ?) AND tokens.revoked IS NULL AND ` + standsSQL("tokens") + ` AND ` + inGood
)

// Session returns the access that a browser's session gives. An unknown, ended
// or expired one, or one of a person who is suspended, is Denied.
func (s *Store) Session(ctx context.Context, secret string) (Access, error) {
	return s.access(ctx, SessionKey, "sign in again", `hash = ?`, hashOf(secret))
}

// TokenAccess returns the access that a token gives. An unknown, expired or
// revoked one, or one of a person who is suspended, is Denied.
func (s *Store) TokenAccess(ctx context.Context, secret string) (Access, error) {
	return s.access(ctx, TokenKey, "the token is unknown, has expired or was revoked", `hash = ?`, hashOf(secret))
}

// AccessByID returns what a session or token gives now, by its number, for what
// was opened with it before. Denied: nothing any more.
func (s *Store) AccessByID(ctx context.Context, kind KeyKind, id int64) (Access, error) {
	s.life.RLock()
	defer s.life.RUnlock()
	if s.closing {
		return Access{}, ErrClosed
	}
	where := `sessions.id = ?`
	if kind == TokenKey {
		where = `tokens.id = ?`
	}
	return s.access(ctx, kind, "the access was taken back", where, id)
}

// access reads the person that a secret belongs to, from the control pool:
// every request begins with it, a stop too.
func (s *Store) access(ctx context.Context, kind KeyKind, denied, where string, which any) (Access, error) {
	query := sessionAccess
	if kind == TokenKey {
		query = tokenAccess
	}
	a := Access{Kind: kind}
	var has, scope string
	var expires, used sql.NullInt64
	err := s.reader(From(ctx, Control)).QueryRowContext(ctx, query+` AND `+where, s.now().UnixNano(), which).
		Scan(&a.ID, &a.Person, &has, &scope, &a.Name, &a.Label, &expires, &used)
	if errors.Is(err, sql.ErrNoRows) {
		return Access{}, s.refused(ctx, kind, denied, where, which)
	}
	if err != nil {
		return Access{}, wrap("access", err)
	}
	a.Expires, a.Used = timeOfNull(expires), timeOfNull(used)
	role, err := ParseRole(has)
	if err != nil {
		return Access{}, errorf(Denied, "the role stored for %s is damaged; an owner sets it again", a.Name)
	}
	a.Role, err = ParseRole(scope)
	a.Role = min(a.Role, role)
	return a, err
}

// AccessChanges returns the number of the last change of who may do what, by
// any process. Expiry is no change. After Close it is ErrClosed.
func (s *Store) AccessChanges(ctx context.Context) (n int64, err error) {
	s.life.RLock()
	defer s.life.RUnlock()
	if s.closing {
		return 0, ErrClosed
	}
	err = s.reader(From(ctx, Control)).QueryRowContext(ctx, "SELECT n FROM access_changes").Scan(&n)
	return n, wrap("access changes", err)
}

// ErrClosed is the error of what asks beside all requests once the store is
// closed.
var ErrClosed = errors.New("store: closed")

// Use is a use of something that gives access, for its "last used".
type Use struct {
	Kind KeyKind
	ID   int64
	At   time.Time
}

// Used writes when sessions, tokens and shares were last used, all in one
// transaction.
func (s *Store) Used(ctx context.Context, uses []Use) error {
	s.life.RLock()
	defer s.life.RUnlock()
	if s.closing {
		return ErrClosed
	}
	queries := map[KeyKind]string{
		SessionKey: "UPDATE sessions SET used = max(used, ?) WHERE id = ?",
		TokenKey:   "UPDATE tokens SET used = max(coalesce(used, 0), ?) WHERE id = ?",
		ShareKey:   "UPDATE shares SET used = max(coalesce(used, 0), ?) WHERE id = ?",
	}
	return s.update(ctx, "used", func(t *tx) error {
		for _, u := range uses {
			if _, err := t.exec(queries[u.Kind], u.At.UnixNano(), u.ID); err != nil {
				return err
			}
		}
		return nil
	})
}

// Age bounds of what gives access.
const (
	MaxAge = 10 * 365 * 24 * time.Hour
	minAge = time.Second
)

// until returns the end of an age that begins now; 0 is never, where that is
// allowed.
func (t *tx) until(field string, age time.Duration, never bool) (any, error) {
	if age == 0 && never {
		return nil, nil
	}
	if age < minAge || age > MaxAge {
		return nil, &Error{Code: Invalid, Message: "it lasts from a second to ten years", Fields: fieldProblem(field, "from a second to ten years")}
	}
	return t.at + int64(age), nil
}

// ofRole refuses what is no role.
func ofRole(r Role) error {
	if !slices.Contains([]Role{Viewer, Operator, Owner}, r) {
		return errorf(Invalid, "%q is not a role: viewer, operator or owner", r)
	}
	return nil
}

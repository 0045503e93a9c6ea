package store

import (
	"context"
	"database/sql"
	"strconv"
	"time"
)

// The kinds of pages that a share link shows.
const (
	RunShare        = "run"
	LotShare        = "lot"
	ComparisonShare = "comparison" // of the units of a lot by one result
	DeviceShare     = "device"
)

// Share is a read-only link to one page. Its secret is shown once, when made.
type Share struct {
	ID      int64
	Kind    string
	Subject string // the run's id, the lot's name or the device's key
	Detail  string // the result that is compared
	By      string
	Created time.Time
	Expires time.Time // zero: never
	Used    time.Time // zero: never
	Revoked time.Time // zero: not
	Damaged string    // why it shows nothing; "": it is as it was stored
}

// Good reports whether the link still shows its page.
func (x *Share) Good(now time.Time) bool {
	return x.Damaged == "" && x.Revoked.IsZero() && (x.Expires.IsZero() || x.Expires.After(now))
}

// NewShare makes a share link to a run and returns its secret, shown once, and
// its id; a zero expires means never.
func (s *Store) NewShare(ctx context.Context, runID, by string, expires time.Time) (secret string, id int64, err error) {
	return s.MakeShare(ctx, &Share{Kind: RunShare, Subject: runID, By: by, Expires: expires})
}

// subjects say for each kind of share whether its subject is there, and which
// run it ends with.
var subjects = map[string]struct{ query, missing string }{
	RunShare:        {`SELECT seq FROM runs WHERE id = ? AND ` + notDeleting, "there is no run %s"},
	LotShare:        {`SELECT NULL FROM lots WHERE lot = ?`, "there is no lot %s"},
	ComparisonShare: {`SELECT NULL FROM lots WHERE lot = ?`, "there is no lot %s"},
	DeviceShare:     {`SELECT NULL FROM devices WHERE key = ? LIMIT 1`, "there is no device %s"},
}

// MakeShare makes a share link and returns its secret, shown once, and its id.
// The kind, subject, detail, maker and end are taken from x.
func (s *Store) MakeShare(ctx context.Context, x *Share) (secret string, id int64, err error) {
	of, known := subjects[x.Kind]
	if !known {
		return "", 0, &Error{Code: Invalid, Message: "there is no such kind of link", Fields: fieldProblem("kind", "run, lot, comparison or device")}
	}
	secret, hash := newSecret()
	err = s.update(ctx, "new share", func(t *tx) error {
		if !x.Expires.IsZero() && x.Expires.UnixNano() <= t.at {
			return errorf(Invalid, "the link would have expired already")
		}
		var run sql.NullInt64
		if err := t.row(of.query, x.Subject).Scan(&run); err != nil {
			return missing(err, of.missing, x.Subject)
		}
		err := t.row(`INSERT INTO shares (hash, kind, subject, detail, run, by, created, expires) VALUES (?, ?, ?, ?, ?, ?, ?, ?) RETURNING id`,
			hash, x.Kind, x.Subject, x.Detail, run, x.By, t.at, timeOrNull(x.Expires)).Scan(&id)
		if err == nil {
			err = sealRows(t, "shares", "id = ?", id)
		}
		if err != nil {
			return err
		}
		return logEvent(t, &Event{By: x.By, Action: "share " + x.Kind, Subject: x.Subject, Detail: "share " + strconv.FormatInt(id, 10)})
	})
	return secret, id, err
}

// ofNoDeletedRun is the condition that a link's run is not being deleted.
const ofNoDeletedRun = `NOT EXISTS (SELECT 1 FROM deleting WHERE deleting.run = shares.run)`

var (
	shareColumns = `SELECT id, kind, subject, detail, by, created, expires, used, revoked, ` + standsSQL("shares") + ` FROM shares`
	goodShare    = ` WHERE revoked IS NULL AND (expires IS NULL OR expires > ?) AND ` + standsSQL("shares") + ` AND ` + ofNoDeletedRun
)

func scanShare(scan func(...any) error) (x Share, err error) {
	var created int64
	var expires, used, revoked sql.NullInt64
	var sound bool
	err = scan(&x.ID, &x.Kind, &x.Subject, &x.Detail, &x.By, &created, &expires, &used, &revoked, &sound)
	if !sound {
		x.Damaged = damagedAccess
	}
	x.Created, x.Expires, x.Used, x.Revoked = timeOf(created), timeOfNull(expires), timeOfNull(used), timeOfNull(revoked)
	return x, err
}

// Shared returns the share link of a secret. An unknown, expired or revoked one
// is Denied. It reads from the control pool, as every look-up of who asks.
func (s *Store) Shared(ctx context.Context, secret string) (Share, error) {
	return s.shared(ctx, `hash = ?`, hashOf(secret))
}

// SharedByID returns a share link by its number while it is good, else Denied.
func (s *Store) SharedByID(ctx context.Context, id int64) (Share, error) {
	s.life.RLock()
	defer s.life.RUnlock()
	if s.closing {
		return Share{}, ErrClosed
	}
	return s.shared(ctx, `id = ?`, id)
}

func (s *Store) shared(ctx context.Context, where string, which any) (Share, error) {
	x, err := scanShare(s.reader(From(ctx, Control)).QueryRowContext(ctx, shareColumns+goodShare+` AND `+where, s.now().UnixNano(), which).Scan)
	if CodeOf(missing(err, "")) == NotFound {
		return Share{}, s.refused(ctx, ShareKey, "this link has expired or was revoked", where, which)
	}
	return x, wrap("shared", err)
}

// ListShares lists the share links, newest first: those of one subject, or all
// where kind is "".
func (s *Store) ListShares(ctx context.Context, kind, subject string) ([]Share, error) {
	var out []Share
	err := s.rows(ctx, shareColumns+` WHERE (?1 = '' OR kind = ?1 AND subject = ?2) AND `+ofNoDeletedRun+` ORDER BY id DESC`,
		[]any{kind, subject}, func(r *sql.Rows) error {
			x, err := scanShare(r.Scan)
			out = append(out, x)
			return err
		})
	return out, wrap("list shares", err)
}

// RevokeShare makes a share link void for good.
func (s *Store) RevokeShare(ctx context.Context, id int64, by string) error {
	return s.update(ctx, "revoke share link", func(t *tx) error {
		e := Event{By: by, Action: "revoke share", Detail: strconv.FormatInt(id, 10)}
		err := t.row("UPDATE shares SET "+decided("shares", revokedNow)+" WHERE id = ?2 AND revoked IS NULL RETURNING subject", t.at, id).Scan(&e.Subject)
		if err != nil {
			return missing(err, "there is no such share link, or it is revoked already")
		}
		return logEvent(t, &e)
	})
}

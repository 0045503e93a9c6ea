package store

import (
	"context"
	"database/sql"
	"strconv"
	"time"
)

// The kinds of invitations.
const (
	StartInvitation = "start"      // the link that a start of the server prints
	HostInvitation  = "host"       // made on the host, beside the server
	OpenInvitation  = "invitation" // an owner's, for whoever comes
	BrowserLink     = "browser"    // for one more browser of a person
)

// MaxUses is the most persons that one invitation lets in.
const MaxUses = 100

// Invitation is a link that makes browsers a person's, as lists show it: its
// secret is shown once, when made.
type Invitation struct {
	ID      int64     `json:"id"`
	Kind    string    `json:"kind" doc:"start, host: made where the server runs; invitation: for whoever comes; browser: for one more browser of a person"`
	Person  string    `json:"person,omitempty" doc:"name of the person whose browser it signs in; absent: whoever comes"`
	Role    Role      `json:"role" doc:"that a newcomer gets"`
	By      string    `json:"by" doc:"who made it"`
	Created time.Time `json:"created"`
	Expires time.Time `json:"expires"`
	Uses    int       `json:"uses" doc:"how often it may be used"`
	Used    int       `json:"used" doc:"how often it was"`
	Damaged string    `json:"damaged,omitempty" doc:"why it lets nobody in; absent: it is as it was stored"`
}

// InvitationRequest is what an invitation is to be.
type InvitationRequest struct {
	Kind   string
	Person int64 // whose browser it signs in; 0: whoever comes
	Role   Role  // of a newcomer
	Maker  int64 // the person who makes it; 0: the host
	By     string
	Age    time.Duration
	Uses   int
}

// Invite makes an invitation and returns its secret, shown once. One that a
// start prints makes those of earlier starts void.
func (s *Store) Invite(ctx context.Context, q InvitationRequest) (secret string, id int64, err error) {
	if q.Uses < 1 || q.Uses > MaxUses {
		return "", 0, &Error{Code: Invalid, Message: "an invitation is used 1 to 100 times", Fields: fieldProblem("uses", "1 to 100 times")}
	}
	secret, hash := newSecret()
	err = s.update(ctx, "invite", func(t *tx) error {
		e := Event{By: q.By, Action: "invite"}
		if q.Person != 0 {
			p, err := activePerson(t, q.Person)
			if err != nil {
				return err
			}
			q.Role, e.Detail = p.Role, "a browser of "+p.Name
		}
		if err := ofRole(q.Role); err != nil {
			return err
		}
		if q.Kind == StartInvitation {
			if _, err := t.exec("UPDATE invitations SET "+changed("invitations", revokedNow)+" WHERE kind = ?2 AND revoked IS NULL", t.at, q.Kind); err != nil {
				return err
			}
		}
		until, err := t.until("days", q.Age, false)
		if err != nil {
			return err
		}
		err = t.row("INSERT INTO invitations (hash, kind, person, role, maker, by, created, expires, uses) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) RETURNING id",
			hash, q.Kind, zeroAsNull(q.Person), q.Role.String(), zeroAsNull(q.Maker), q.By, t.at, until, q.Uses).Scan(&id)
		if err == nil {
			err = sealRows(t, "invitations", "id = ?", id)
		}
		if err != nil || q.Kind == StartInvitation {
			return err
		}
		if e.Detail == "" {
			e.Detail = q.Role.String() + ", " + strconv.Itoa(q.Uses) + " times"
		}
		e.Subject = invitationSubject(id)
		return logEvent(t, &e)
	})
	return secret, id, err
}

func zeroAsNull(id int64) any {
	if id == 0 {
		return nil
	}
	return id
}

// NewStartKey makes the one-time key that a start of the server prints: it
// makes whoever uses it an owner.
func (s *Store) NewStartKey(ctx context.Context, age time.Duration) (secret string, err error) {
	secret, _, err = s.Invite(ctx, InvitationRequest{Kind: StartInvitation, Role: Owner, By: "the server’s start", Age: age, Uses: 1})
	return secret, err
}

// good is the condition that an invitation may be used: whoever made it could
// make it now, too.
var good = `invitations.revoked IS NULL AND invitations.expires > ?1 AND invitations.used < uses
	AND (person IS NULL OR EXISTS (SELECT 1 FROM persons WHERE persons.id = person AND ` + inGood + `))
	AND (maker IS NULL OR EXISTS (SELECT 1 FROM persons WHERE persons.id = maker AND ` + inGood + ` AND (maker = person OR persons.role = 'owner')))`

var invitationColumns = `invitations.id, kind, coalesce((SELECT persons.name FROM persons WHERE persons.id = person), ''),
	role, by, created, expires, uses, used, ` + standsSQL("invitations") + ` FROM invitations WHERE ` + good

func scanInvitation(scan func(...any) error) (v Invitation, err error) {
	var role string
	var sound bool
	var created, expires int64
	if err = scan(&v.ID, &v.Kind, &v.Person, &role, &v.By, &created, &expires, &v.Uses, &v.Used, &sound); err != nil {
		return v, err
	}
	v.Created, v.Expires = timeOf(created), timeOf(expires)
	if v.Role, err = ParseRole(role); err != nil || !sound {
		v.Role, v.Damaged = Nobody, damagedAccess
	}
	return v, nil
}

// soundInvitation is the condition that what is stored of it is what was written.
var soundInvitation = " AND " + standsSQL("invitations")

const notInvited = "this link was used already, was taken back or is out of date: ask whoever gave it to you for a new one, or make one where the server runs: ohmkeep invite"

// InvitationOf returns the invitation of a secret while it is good, else
// Denied.
func (s *Store) InvitationOf(ctx context.Context, secret string) (v Invitation, err error) {
	v, err = scanInvitation(s.reader(From(ctx, Control)).QueryRowContext(ctx, "SELECT "+invitationColumns+soundInvitation+" AND hash = ?2", s.now().UnixNano(), hashOf(secret)).Scan)
	if CodeOf(missing(err, "")) == NotFound {
		return v, errorf(Denied, notInvited)
	}
	return v, wrap("invitation", err)
}

// ListInvitations lists the invitations that are good, newest first.
func (s *Store) ListInvitations(ctx context.Context) ([]Invitation, error) {
	var out []Invitation
	err := s.rows(ctx, "SELECT "+invitationColumns+" ORDER BY id DESC", []any{s.now().UnixNano()}, func(r *sql.Rows) error {
		v, err := scanInvitation(r.Scan)
		out = append(out, v)
		return err
	})
	return out, wrap("list invitations", err)
}

// UseInvitation exchanges an invitation for a session of that length. Name is
// the newcomer's; an invitation for a person's browser needs none. An unknown,
// used, expired or revoked one is Denied; a name that is taken, a Conflict.
func (s *Store) UseInvitation(ctx context.Context, secret, name, browser string, length time.Duration) (session string, err error) {
	err = s.update(ctx, "use invitation", func(t *tx) error {
		v, err := scanInvitation(t.row("SELECT "+invitationColumns+soundInvitation+" AND hash = ?2", t.at, hashOf(secret)).Scan)
		if CodeOf(missing(err, "")) == NotFound {
			return errorf(Denied, notInvited)
		}
		if err != nil {
			return err
		}
		var person int64
		switch {
		case v.Person != "":
			name = v.Person
			err = t.row("SELECT person FROM invitations WHERE id = ?", v.ID).Scan(&person)
		case v.Kind != OpenInvitation && v.Role == Owner: // whoever has the host may be any owner
			person, err = personNamed(t, v.Role, name, v.By)
		default:
			person, err = newPerson(t, v.Role, name, v.By)
		}
		if err != nil {
			return err
		}
		if _, err := t.exec("UPDATE invitations SET "+changed("invitations", map[string]string{"used": "invitations.used + 1"})+" WHERE id = ?", v.ID); err != nil {
			return err
		}
		if session, err = newSession(t, person, browser, length); err != nil {
			return err
		}
		return logEvent(t, &Event{By: name, Action: "sign in", Subject: personSubject(person), Detail: v.Kind + " link by " + v.By})
	})
	return session, err
}

// RevokeInvitation makes an invitation void; those whom it let in stay.
func (s *Store) RevokeInvitation(ctx context.Context, id int64, by string) error {
	return s.revoke(ctx, "invitation", "UPDATE invitations SET "+decided("invitations", revokedNow)+" WHERE id = ?2 AND revoked IS NULL",
		&Event{By: by, Action: "revoke invitation", Subject: invitationSubject(id)}, id)
}

func invitationSubject(id int64) string { return "invitation " + strconv.FormatInt(id, 10) }

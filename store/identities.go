package store

import (
	"context"
	"time"
)

// Identity is who somebody is at the lab's single sign-on. Issuer and subject say
// who it is; the label is how they call themselves there, and may be anybody's.
type Identity struct {
	Issuer  string
	Subject string
	Label   string
}

// SignOn is a sign-in by the lab's single sign-on, with what the lab's rules give.
type SignOn struct {
	Identity
	// New lets in whom nobody here knows, by that name and with that role.
	New  bool
	Name string
	Role Role
	// Follows has the role of whoever came in by single sign-on be that one.
	Follows bool
	// Asked is a name that was asked for after the provider's answer: whoever is known
	// by now is Denied, since that answer's role may be older than the one they have.
	Asked bool
}

// Host is what the log calls whoever works on the command line.
const Host = "the host"

// SingleSignOn is what the log calls whatever lets a newcomer in by single
// sign-on.
const SingleSignOn = "single sign-on"

// SignOn signs a browser in as the person of an identity, for that long. Whom
// nobody knows becomes a person, where newcomers are let in: a name that is empty
// is Invalid, one that is taken a Conflict. Nobody else, and nobody who is
// suspended or removed, comes in (Denied).
func (s *Store) SignOn(ctx context.Context, q SignOn, length time.Duration) (session string, err error) {
	err = s.update(ctx, "single sign-on", func(t *tx) error {
		person, err := identified(t, &q.Identity)
		switch {
		case err == nil && q.Asked:
			err = errorf(Denied, "this sign-in has a person here by now: begin again")
		case CodeOf(err) == NotFound && q.New:
			if person, err = newPerson(t, q.Role, q.Name, SingleSignOn); err == nil {
				err = bindIdentity(t, person, &q.Identity, true)
			}
		case CodeOf(err) == NotFound:
			err = errorf(Denied, "nobody here is known by this sign-in: come in by a link of an owner's, then bind it to yourself on the page Your access")
		case err == nil:
			err = signOnAgain(t, person, &q)
		}
		if err != nil {
			return err
		}
		if session, err = newSession(t, person, "", length); err != nil {
			return err
		}
		p, err := activePerson(t, person)
		if err != nil {
			return err
		}
		return logEvent(t, &Event{By: p.Name, Action: "sign in", Subject: personSubject(person), Detail: SingleSignOn + ", " + q.Label})
	})
	return session, err
}

// identified returns the person of an identity, who may be removed. NotFound: it
// is nobody's.
func identified(t *tx, who *Identity) (person int64, err error) {
	var sound bool
	err = t.row("SELECT person, "+soundSQL("identities")+" FROM identities WHERE issuer = ? AND subject = ?", who.Issuer, who.Subject).Scan(&person, &sound)
	if err == nil && !sound {
		return 0, errorf(Denied, "what is stored of this sign-in is damaged: an owner takes it off, then it is bound anew")
	}
	return person, missing(err, "nobody is known by this sign-in")
}

// signOnAgain holds a sign-in of a person who is known against what they may, and
// gives them the role of their groups where these decide.
func signOnAgain(t *tx, person int64, q *SignOn) error {
	p, err := personOf(t.ctx, t, "id = ?", person)
	switch {
	case CodeOf(err) == NotFound:
		return errorf(Denied, "whoever signs in so was removed from here: an owner lets them in again by a link")
	case err != nil:
		return err
	case !p.Suspended.IsZero():
		return errorf(Denied, "%s is suspended: an owner lets them in again", p.Name)
	case p.Damaged != "":
		return errorf(Denied, "what is stored of %s is damaged: an owner sets their role", p.Name)
	}
	var follows bool
	if err := t.row("UPDATE identities SET "+changed("identities", map[string]string{"label": "?1"})+" WHERE person = ?2 RETURNING follows", q.Label, person).Scan(&follows); err != nil {
		return err
	}
	if !q.Follows || !follows || q.Role == p.Role {
		return nil
	}
	if err := ofRole(q.Role); err != nil {
		return err
	}
	if p.Role == Owner {
		if others, err := owners(t, person); err != nil || others == 0 {
			return err // the last one stays, whatever their groups say
		}
	}
	if _, err := t.exec("UPDATE persons SET "+changed("persons", map[string]string{"role": "?1"})+" WHERE id = ?2", q.Role.String(), person); err != nil {
		return err
	}
	return logEvent(t, &Event{By: SingleSignOn, Action: "change role", Subject: personSubject(person), Detail: p.Name + ", " + q.Role.String()})
}

// owners counts the owners who may act, but one.
func owners(t *tx, but int64) (n int64, err error) {
	err = t.row("SELECT count(*) FROM persons WHERE role = 'owner' AND id <> ? AND "+inGood, but).Scan(&n)
	return n, err
}

func bindIdentity(t *tx, person int64, who *Identity, follows bool) error {
	_, err := t.exec("INSERT INTO identities (person, issuer, subject, label, follows, created) VALUES (?, ?, ?, ?, ?, ?)",
		person, who.Issuer, who.Subject, who.Label, follows, t.at)
	if err == nil {
		err = sealRows(t, "identities", "person = ?", person)
	}
	return err
}

// BindIdentity has an identity sign in as a person from now on. One that is
// another person's, or a person who has one, is a Conflict; that of somebody who
// was removed can be bound anew.
func (s *Store) BindIdentity(ctx context.Context, person int64, who Identity, by string) error {
	return s.update(ctx, "bind identity", func(t *tx) error {
		if _, err := activePerson(t, person); err != nil {
			return err
		}
		of, err := identified(t, &who)
		switch {
		case err == nil && of == person:
			return nil
		case err == nil:
			if p, err := personOf(t.ctx, t, "id = ?", of); err == nil {
				return errorf(Conflict, "this sign-in is bound to %s: an owner takes it off there first", p.Name)
			} else if CodeOf(err) != NotFound {
				return err
			}
			if _, err := t.exec("DELETE FROM identities WHERE person = ?", of); err != nil {
				return err
			}
		case CodeOf(err) != NotFound:
			return err
		}
		var has bool
		if err := t.row("SELECT EXISTS (SELECT 1 FROM identities WHERE person = ?)", person).Scan(&has); err != nil {
			return err
		}
		if has {
			return errorf(Conflict, "another sign-in is bound to you already: take it off first")
		}
		if err := bindIdentity(t, person, &who, false); err != nil {
			return err
		}
		return logEvent(t, &Event{By: by, Action: "bind sign-in", Subject: personSubject(person), Detail: who.Label + " at " + who.Issuer})
	})
}

// UnbindIdentity has the identity of a person sign in as nobody. What they are
// signed in with stays.
func (s *Store) UnbindIdentity(ctx context.Context, person int64, by string) error {
	return s.update(ctx, "unbind identity", func(t *tx) error {
		if _, err := personOf(t.ctx, t, "id = ?", person); err != nil {
			return err
		}
		var label, issuer string
		err := t.row("DELETE FROM identities WHERE person = ? RETURNING label, issuer", person).Scan(&label, &issuer)
		if err != nil {
			return missing(err, "no sign-in is bound to this person")
		}
		return logEvent(t, &Event{By: by, Action: "take sign-in off", Subject: personSubject(person), Detail: label + " at " + issuer})
	})
}

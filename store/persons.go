package store

import (
	"context"
	"database/sql"
	"errors"
	"strconv"
	"time"

	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
)

const problemForbidden = problem.Forbidden

func fieldProblem(field, message string) dut.Problems {
	return dut.Problems{{Field: field, Message: message}}
}

// Person is somebody with a name and a role, or a program that has one.
type Person struct {
	ID        int64     `json:"id"`
	Name      string    `json:"name"`
	Role      Role      `json:"role,omitempty" doc:"absent where the one that is stored cannot be read"`
	By        string    `json:"by" doc:"who invited them"`
	Created   time.Time `json:"created"`
	Damaged   string    `json:"damaged,omitempty" doc:"what of the person cannot be read, so that nothing of theirs gives access; absent: nothing"`
	Suspended time.Time `json:"suspended,omitzero" doc:"since when nothing of theirs gives access; absent: it does"`
	Browsers  int       `json:"browsers" doc:"how many of their browsers are signed in"`
	Tokens    int       `json:"tokens" doc:"how many of their tokens are good"`
	Shares    int       `json:"shares" doc:"how many share links made under their name are good; these stay when they are suspended or removed"`
	Used      time.Time `json:"used,omitzero" doc:"when any of these was last used, to a minute"`
	SignOn    string    `json:"signOn,omitempty" doc:"how they call themselves at the single sign-on that signs in as them; absent: none does"`
}

// signOnOf is the label of a person's identity, in SQL; "" where there is none.
var signOnOf = "coalesce((SELECT CASE WHEN " + soundSQL("identities") + " THEN label ELSE 'what is damaged' END FROM identities WHERE person = persons.id), '')"

const noPerson = "there is no such person"

// ListPersons lists everybody who has not been removed, by name. Whose role
// cannot be read is Nobody, and damaged.
func (s *Store) ListPersons(ctx context.Context) ([]Person, error) {
	var out []Person
	err := s.rows(ctx, `SELECT id, name, role, by, created, suspended,
		(SELECT count(*) FROM sessions WHERE person = persons.id AND expires > ?1),
		(SELECT count(*) FROM tokens WHERE person = persons.id AND tokens.revoked IS NULL AND (expires IS NULL OR expires > ?1)),
		(SELECT count(*) FROM shares WHERE shares.by = persons.name AND shares.revoked IS NULL AND (expires IS NULL OR expires > ?1) AND `+ofNoDeletedRun+`),
		max((SELECT coalesce(max(used), 0) FROM sessions WHERE person = persons.id), (SELECT coalesce(max(used), 0) FROM tokens WHERE person = persons.id)),
		`+signOnOf+`, `+standsSQL("persons")+`
		FROM persons WHERE removed IS NULL ORDER BY name, id`, []any{s.now().UnixNano()}, func(r *sql.Rows) error {
		var p Person
		var role string
		var sound bool
		var created, used int64
		var suspended sql.NullInt64
		if err := r.Scan(&p.ID, &p.Name, &role, &p.By, &created, &suspended, &p.Browsers, &p.Tokens, &p.Shares, &used, &p.SignOn, &sound); err != nil {
			return err
		}
		p.Created, p.Suspended = timeOf(created), timeOfNull(suspended)
		if used > 0 {
			p.Used = timeOf(used)
		}
		p.readRole(role, sound)
		out = append(out, p)
		return nil
	})
	return out, wrap("list persons", err)
}

// GetPerson returns a person who has not been removed.
func (s *Store) GetPerson(ctx context.Context, id int64) (p Person, err error) {
	err = s.view(ctx, func(q querier) error {
		p, err = personOf(ctx, q, "id = ?", id)
		return err
	})
	return p, wrap("get person", err)
}

// personOf reads one person; what is counted is left out.
func personOf(ctx context.Context, q querier, where string, which any) (p Person, err error) {
	var role string
	var sound bool
	var created int64
	var suspended sql.NullInt64
	err = q.QueryRowContext(ctx, "SELECT id, name, role, by, created, suspended, "+signOnOf+", "+standsSQL("persons")+" FROM persons WHERE removed IS NULL AND "+where, which).
		Scan(&p.ID, &p.Name, &role, &p.By, &created, &suspended, &p.SignOn, &sound)
	if err != nil {
		return p, missing(err, noPerson)
	}
	p.Created, p.Suspended = timeOf(created), timeOfNull(suspended)
	p.readRole(role, sound)
	return p, nil
}

// personCalled reads the person of a name: of exactly that one, else the first of
// one that reads the same (dut.NameKey), however it was kept.
func personCalled(ctx context.Context, q querier, name string) (Person, error) {
	name = dut.Name(name)
	key := dut.NameKey(name)
	id := int64(0)
	rows, err := q.QueryContext(ctx, "SELECT id, name FROM persons WHERE removed IS NULL ORDER BY name = ? DESC, id", name)
	if err != nil {
		return Person{}, err
	}
	for id == 0 && rows.Next() {
		var of int64
		var called string
		if err = rows.Scan(&of, &called); err != nil {
			break
		}
		if dut.NameKey(called) == key {
			id = of
		}
	}
	if err := errors.Join(err, rows.Err(), rows.Close()); err != nil {
		return Person{}, err
	}
	return personOf(ctx, q, "id = ?", id)
}

// PersonCalled reports whether there is a person of a name.
func (s *Store) PersonCalled(ctx context.Context, name string) (there bool, err error) {
	err = s.view(ctx, func(q querier) error {
		_, err := personCalled(ctx, q, name)
		if there = err == nil; CodeOf(err) == NotFound {
			return nil
		}
		return err
	})
	return there, wrap("person called", err)
}

// readRole takes the role that is stored. One that cannot be read, or stands in a
// row that does not fit its seal, is Nobody, so that an owner sees who it is and can set another.
func (p *Person) readRole(stored string, sound bool) {
	if !sound {
		p.Role, p.Damaged = Nobody, "What is stored of them is not what was written: nothing of theirs gives access until an owner sets their role."
		return
	}
	var err error
	if p.Role, err = ParseRole(stored); err != nil {
		p.Damaged = "The role that is stored is none: nothing of theirs gives access until an owner sets one."
	}
}

// activePerson is a person who may act.
func activePerson(t *tx, id int64) (Person, error) {
	p, err := personOf(t.ctx, t, "id = ?", id)
	if err == nil && !p.Suspended.IsZero() {
		err = errorf(Conflict, "%s is suspended", p.Name)
	}
	if err == nil && p.Damaged != "" {
		err = errorf(Conflict, "what is stored of %s is damaged: an owner sets their role first", p.Name)
	}
	return p, err
}

// newPerson adds a person. A name that is taken is a Conflict.
func newPerson(t *tx, role Role, name, by string) (id int64, err error) {
	if err := ofRole(role); err != nil {
		return 0, err
	}
	name = dut.Name(name)
	if name == "" {
		return 0, &Error{Code: Invalid, Message: "a person needs a name", Fields: fieldProblem("name", "say who you are")}
	}
	if _, err := personCalled(t.ctx, t, name); err == nil {
		return 0, &Error{Code: Conflict, Message: "there is somebody of this name already", Fields: fieldProblem("name", "somebody has this name already: take another one, or have an owner make a link for that person")}
	} else if CodeOf(err) != NotFound {
		return 0, err
	}
	err = t.row("INSERT INTO persons (name, role, by, created) VALUES (?, ?, ?, ?) RETURNING id", name, role.String(), by, t.at).Scan(&id)
	if err == nil {
		err = sealRows(t, "persons", "id = ?", id)
	}
	if err != nil {
		return 0, err
	}
	return id, logEvent(t, &Event{By: by, Action: "add person", Subject: personSubject(id), Detail: name + ", " + role.String()})
}

// personNamed returns the person of a name, who is made with that role where
// there is none. One of another role is a Conflict: a key raises nobody, and
// nobody becomes a person who may do more than the key says.
func personNamed(t *tx, role Role, name, by string) (int64, error) {
	p, err := personCalled(t.ctx, t, name)
	switch {
	case CodeOf(err) == NotFound:
		return newPerson(t, role, name, by)
	case err != nil:
		return 0, err
	case !p.Suspended.IsZero():
		return 0, &Error{Code: Conflict, Message: name + " is suspended", Fields: fieldProblem("name", "this person is suspended")}
	case p.Damaged != "":
		return 0, &Error{Code: Conflict, Message: "what is stored of " + name + " is damaged", Fields: fieldProblem("name", "what is stored of this person is damaged: come in by another name, then set their role")}
	case p.Role != role:
		return 0, &Error{Code: Conflict, Message: name + " is there already, as " + p.Role.String(),
			Fields: fieldProblem("name", "there is a person of this name, who is "+p.Role.String()+": take another name")}
	}
	return p.ID, nil
}

// changePerson changes a person, unless it would leave no owner who may act.
func (s *Store) changePerson(ctx context.Context, op string, id int64, e *Event, change func(t *tx, p *Person) error) error {
	return s.update(ctx, op, func(t *tx) error {
		p, err := personOf(t.ctx, t, "id = ?", id)
		if err != nil {
			return err
		}
		if err := change(t, &p); err != nil {
			return err
		}
		if p.Role == Owner && p.Suspended.IsZero() {
			var owners int
			err = t.row("SELECT count(*) FROM persons WHERE role = 'owner' AND " + inGood).Scan(&owners)
			if err == nil && owners == 0 {
				err = errorf(Conflict, "%s is the last owner who may act: make somebody else owner first", p.Name)
			}
		}
		if err != nil {
			return err
		}
		e.Subject = personSubject(id)
		if e.Detail == "" {
			e.Detail = p.Name
		} else {
			e.Detail = p.Name + ", " + e.Detail
		}
		return logEvent(t, e)
	})
}

// SetRole gives a person another role. The last owner stays one (Conflict).
func (s *Store) SetRole(ctx context.Context, id int64, role Role, by string) error {
	if err := ofRole(role); err != nil {
		return err
	}
	return s.changePerson(ctx, "set role", id, &Event{By: by, Action: "change role", Detail: role.String()}, func(t *tx, p *Person) error {
		_, err := t.exec("UPDATE persons SET "+decided("persons", map[string]string{"role": "?1"})+" WHERE id = ?2", role.String(), id)
		return err
	})
}

// Suspend has nothing of a person's give access until Resume. The last owner
// cannot be suspended (Conflict).
func (s *Store) Suspend(ctx context.Context, id int64, by string) error {
	return s.changePerson(ctx, "suspend", id, &Event{By: by, Action: "suspend person"}, func(t *tx, p *Person) error {
		_, err := t.exec("UPDATE persons SET "+changed("persons", map[string]string{"suspended": "coalesce(persons.suspended, ?1)"})+" WHERE id = ?2", t.at, id)
		return err
	})
}

// Resume ends a suspension: what gave access before, and has not expired, gives
// it again.
func (s *Store) Resume(ctx context.Context, id int64, by string) error {
	return s.changePerson(ctx, "resume", id, &Event{By: by, Action: "resume person"}, func(t *tx, p *Person) error {
		_, err := t.exec("UPDATE persons SET "+changed("persons", map[string]string{"suspended": "NULL"})+" WHERE id = ?1", id)
		return err
	})
}

// RemovePerson takes a person out for good, with all browsers, tokens and
// invitations; what they did keeps their name. The last owner stays (Conflict).
func (s *Store) RemovePerson(ctx context.Context, id int64, by string) error {
	return s.changePerson(ctx, "remove person", id, &Event{By: by, Action: "remove person"}, func(t *tx, p *Person) error {
		for _, query := range []string{
			"UPDATE persons SET " + decided("persons", map[string]string{"removed": "?1"}) + " WHERE id = ?2",
			"UPDATE tokens SET " + decided("tokens", revokedNow) + " WHERE person = ?2 AND revoked IS NULL",
			"UPDATE invitations SET " + decided("invitations", revokedNow) + " WHERE (person = ?2 OR maker = ?2) AND revoked IS NULL",
			"DELETE FROM sessions WHERE ? > 0 AND person = ?",
		} {
			if _, err := t.exec(query, t.at, id); err != nil {
				return err
			}
		}
		return nil
	})
}

// revokedNow revokes what a statement changes, at its first parameter.
var revokedNow = map[string]string{"revoked": "?1"}

func personSubject(id int64) string { return "person " + strconv.FormatInt(id, 10) }

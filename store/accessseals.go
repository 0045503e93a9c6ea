package store

import (
	"context"
	"errors"
	"maps"
	"slices"
	"strings"
)

// What gives access and does not fit its seal gives none. Whoever may take it
// back can do so, and an owner who sets the role of a damaged person has looked at
// who it is: these alone seal a row anew as it stands.

// damagedAccess is what lists say of a row that gives nothing because it is
// damaged.
const damagedAccess = "What is stored is not what was written: it gives nothing."

// changed is the assignment of columns of a sealed table in an UPDATE, with the
// seal that follows; a row that was damaged stays so.
func changed(table string, set map[string]string) string {
	return assigned(set) + ", seal = " + resealSQL(table, set)
}

// decided is changed for what a person has decided on: the row is sealed as it
// stands then.
func decided(table string, set map[string]string) string {
	return assigned(set) + ", seal = " + sealSQL(table, set)
}

func assigned(set map[string]string) string {
	var out []string
	for _, column := range slices.Sorted(maps.Keys(set)) {
		out = append(out, column+" = "+set[column])
	}
	return strings.Join(out, ", ")
}

// whose selects, for each kind of secret, whose access it is and whether that is
// all sound: for a look-up that has found nothing that gives access.
var whose = map[KeyKind]string{
	SessionKey: "SELECT 'the sign-in of ' || persons.name, " + standsSQL("sessions") + " AND " + standsSQL("persons") + " FROM sessions JOIN persons ON persons.id = person WHERE ",
	TokenKey:   "SELECT 'the token ' || tokens.name || ' of ' || persons.name, " + standsSQL("tokens") + " AND " + standsSQL("persons") + " FROM tokens JOIN persons ON persons.id = person WHERE ",
	ShareKey:   "SELECT 'a share link to ' || kind || ' ' || subject, " + standsSQL("shares") + " FROM shares WHERE ",
}

// refused is the error of access that was not found to be good: Denied, and kept
// for the pages where it is because of damage.
func (s *Store) refused(ctx context.Context, kind KeyKind, denied, where string, which any) error {
	var what string
	var sound bool
	err := s.reader(From(ctx, Control)).QueryRowContext(ctx, whose[kind]+where, which).Scan(&what, &sound)
	if err == nil && !sound {
		damage := s.damaged(what)
		return &Error{Code: Denied, Message: denied + ": " + damage.Error(), Err: damage}
	}
	return errorf(Denied, "%s", denied)
}

// AccessDamage is what is damaged of an access that was refused for it, in words; ""
// where it was refused for anything else.
func AccessDamage(err error) string {
	var e *Error
	if errors.As(err, &e) && e.Code == Denied && CodeOf(e.Err) == Corrupt {
		return e.Err.Error()
	}
	return ""
}

package people

import (
	"context"

	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// SignOn signs a browser in as whoever the lab's single sign-on says it is. A
// newcomer whose name is none here, or taken, is asked for another: Invalid or
// Conflict, of the field name.
func (p *People) SignOn(ctx context.Context, q store.SignOn) (session string, err error) {
	q.Name = dut.Name(q.Name)
	wrong := CheckPerson(q.Name)
	if wrong != "" {
		q.Name = "" // that of somebody who is known does not matter
	}
	err = p.change(ctx, func(ctx context.Context) error { // it may take a role back
		session, err = p.Store.SignOn(ctx, q, p.SessionAge)
		return err
	})
	if problem.CodeOf(err) == problem.Invalid && wrong != "" {
		err = problem.Field("name", wrong)
	}
	return session, err
}

// Bind has somebody's sign-in at the single sign-on be theirs here from now on. A
// token may not: it would become its person.
func (p *People) Bind(ctx context.Context, who store.Access, identity store.Identity) error {
	if who.Kind != store.SessionKey {
		return problem.New(problem.Forbidden, "A signed-in browser does that, not a token.")
	}
	return p.Store.BindIdentity(ctx, who.Person, identity, who.Name)
}

// Unbind takes a person's single sign-on off: one's own, or as owner anybody's.
func (p *People) Unbind(ctx context.Context, who store.Access, person int64) error {
	whose, err := p.whose(ctx, who)
	if err != nil {
		return err
	}
	if whose != 0 && whose != person {
		return ownerOf(who)
	}
	return p.Store.UnbindIdentity(ctx, person, who.Name)
}

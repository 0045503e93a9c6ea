package people

import (
	"context"
	"time"

	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// Invitation asks for a link that lets persons in.
type Invitation struct {
	Person int64 // whose browser it signs in; 0: whoever comes
	Role   store.Role
	Age    time.Duration
	Uses   int
}

// Key is a secret that was just made, with its number. It is shown once.
type Key struct {
	ID     int64
	Secret string
}

// ownerOf refuses whoever is no owner.
func ownerOf(who store.Access) error {
	if who.Role < store.Owner {
		return problem.New(problem.Forbidden, "An owner does that.")
	}
	return nil
}

// Invite makes a link that lets persons in, or signs a browser of a person in
// who has lost theirs. An owner does that.
func (p *People) Invite(ctx context.Context, who store.Access, q Invitation) (Key, error) {
	if err := ownerOf(who); err != nil {
		return Key{}, err
	}
	kind := store.OpenInvitation
	if q.Person != 0 {
		q.Uses = 1
		kind = store.BrowserLink
	}
	secret, id, err := p.Store.Invite(ctx, store.InvitationRequest{Kind: kind, Person: q.Person, Role: q.Role, Maker: who.Person, By: who.Name, Age: q.Age, Uses: q.Uses})
	return Key{id, secret}, err
}

// AddBrowser makes a link that signs one more browser in as whoever asks. A
// token may not: what it gives is bounded, and a browser of its person is not.
func (p *People) AddBrowser(ctx context.Context, who store.Access) (Key, error) {
	if who.Kind != store.SessionKey {
		return Key{}, problem.New(problem.Forbidden, "A signed-in browser does that, not a token.")
	}
	secret, id, err := p.Store.Invite(ctx, store.InvitationRequest{Kind: store.BrowserLink, Person: who.Person, Maker: who.Person, By: who.Name, Age: BrowserAge, Uses: 1})
	return Key{id, secret}, err
}

// SignIn exchanges a key for a session. Name is a newcomer's, browser what the
// browser is called; "" is no name.
func (p *People) SignIn(ctx context.Context, key, name, browser string) (session string, err error) {
	v, err := p.Store.InvitationOf(ctx, key)
	if err != nil {
		return "", err
	}
	name, browser = dut.Name(name), dut.Name(browser)
	if v.Person == "" {
		there, err := p.Store.PersonCalled(ctx, name) // who has a name keeps it, whatever is asked of new ones
		if wrong := CheckPerson(name); err == nil && !there && wrong != "" {
			err = problem.Field("name", wrong)
		}
		if err != nil {
			return "", err
		}
	}
	if browser != "" {
		if err := named("browser", browser); err != nil {
			return "", err
		}
	}
	return p.Store.UseInvitation(ctx, key, name, browser, p.SessionAge)
}

// RevokeInvitation makes an invitation void; those whom it let in stay.
func (p *People) RevokeInvitation(ctx context.Context, who store.Access, id int64) error {
	if err := ownerOf(who); err != nil {
		return err
	}
	return p.Store.RevokeInvitation(ctx, id, who.Name)
}

// change carries out what may take something back, and ends what depended on
// it. The request that asks for it is still answered, whatever becomes of its
// own access.
func (p *People) change(ctx context.Context, act func(ctx context.Context) error) error {
	letFinish(ctx)
	ctx = context.WithoutCancel(ctx)
	err := act(ctx)
	if err == nil {
		p.Grants.TakenBack(ctx)
	}
	return err
}

// changePerson is change for what an owner does to a person.
func (p *People) changePerson(ctx context.Context, who store.Access, act func(ctx context.Context) error) error {
	if err := ownerOf(who); err != nil {
		return err
	}
	return p.change(ctx, act)
}

// SetRole gives a person another role. The last owner stays one.
func (p *People) SetRole(ctx context.Context, who store.Access, person int64, role store.Role) error {
	return p.changePerson(ctx, who, func(ctx context.Context) error { return p.Store.SetRole(ctx, person, role, who.Name) })
}

// Suspend has nothing of a person's give access until they are resumed.
func (p *People) Suspend(ctx context.Context, who store.Access, person int64) error {
	return p.changePerson(ctx, who, func(ctx context.Context) error { return p.Store.Suspend(ctx, person, who.Name) })
}

// Resume ends a suspension.
func (p *People) Resume(ctx context.Context, who store.Access, person int64) error {
	return p.changePerson(ctx, who, func(ctx context.Context) error { return p.Store.Resume(ctx, person, who.Name) })
}

// Remove takes a person out for good.
func (p *People) Remove(ctx context.Context, who store.Access, person int64) error {
	return p.changePerson(ctx, who, func(ctx context.Context) error { return p.Store.RemovePerson(ctx, person, who.Name) })
}

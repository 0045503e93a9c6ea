package people

import (
	"context"
	"time"

	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// whose is the person whose browsers and tokens somebody may change: 0 for an
// owner, who may change everybody's. A token that gives less than its person
// has changes none.
func (p *People) whose(ctx context.Context, who store.Access) (int64, error) {
	if who.Role >= store.Owner {
		return 0, nil
	}
	if who.Kind != store.SessionKey {
		person, err := p.Store.GetPerson(ctx, who.Person)
		if err != nil {
			return 0, err
		}
		if who.Role < person.Role {
			return 0, problem.New(problem.Forbidden, "This token gives less than its person has, and cannot change that.")
		}
	}
	return who.Person, nil
}

// NameBrowser gives a browser another name: one's own, or as owner anybody's.
func (p *People) NameBrowser(ctx context.Context, who store.Access, id int64, name string) error {
	name = dut.Name(name)
	if err := named("name", name); err != nil {
		return err
	}
	whose, err := p.whose(ctx, who)
	if err != nil {
		return err
	}
	return p.Store.NameBrowser(ctx, id, whose, name, who.Name)
}

// EndBrowser signs a browser out: one's own, or as owner anybody's.
func (p *People) EndBrowser(ctx context.Context, who store.Access, id int64) error {
	whose, err := p.whose(ctx, who)
	if err != nil {
		return err
	}
	return p.change(ctx, func(ctx context.Context) error { return p.Store.EndBrowser(ctx, id, whose, who.Name) })
}

// EndBrowsers signs all browsers of whoever asks out, the one that asks too.
func (p *People) EndBrowsers(ctx context.Context, who store.Access) error {
	if _, err := p.whose(ctx, who); err != nil {
		return err
	}
	return p.change(ctx, func(ctx context.Context) error { return p.Store.EndBrowsers(ctx, who.Person, who.Name) })
}

// Token asks for a token.
type Token struct {
	Role store.Role
	Name string
	Age  time.Duration // 0: for ever
}

// MakeToken makes a token of whoever asks. It gives no more than they have now.
func (p *People) MakeToken(ctx context.Context, who store.Access, q Token) (Key, error) {
	q.Name = dut.Name(q.Name)
	if err := named("name", q.Name); err != nil {
		return Key{}, err
	}
	if _, err := p.whose(ctx, who); err != nil {
		return Key{}, err
	}
	if q.Role > who.Role {
		return Key{}, problem.Field("scope", "you are "+who.Role.String()+" here, and a token gives no more than that")
	}
	secret, id, err := p.Store.MakeToken(ctx, store.TokenRequest{Person: who.Person, Role: q.Role, Name: q.Name, Age: q.Age, By: who.Name})
	return Key{id, secret}, err
}

// RevokeToken makes a token void: one's own, or as owner anybody's.
func (p *People) RevokeToken(ctx context.Context, who store.Access, id int64) error {
	whose, err := p.whose(ctx, who)
	if err != nil {
		return err
	}
	return p.change(ctx, func(ctx context.Context) error { return p.Store.RevokeToken(ctx, id, whose, who.Name) })
}

// RevokeShare makes a share link void. An operator does that.
func (p *People) RevokeShare(ctx context.Context, who store.Access, id int64) error {
	if who.Role < store.Operator {
		return problem.New(problem.Forbidden, "An operator does that.")
	}
	return p.change(ctx, func(ctx context.Context) error { return p.Store.RevokeShare(ctx, id, who.Name) })
}

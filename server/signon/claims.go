package signon

import (
	"cmp"
	"slices"
	"strings"
	"unicode"

	"ohmkeep/store"
)

// Identity is who somebody is at the provider, and what the lab's rules give them.
// Issuer and subject alone say who it is: everything else may change, and may be
// somebody else's later.
type Identity struct {
	Issuer  string
	Subject string
	Name    string // that they have there, for a newcomer; may be anything, and ""
	Label   string // by which they know themselves there: e-mail, user name or subject
	// New reports whether somebody whom nobody here knows is let in.
	New bool
	// Role is what a newcomer gets.
	Role store.Role
	// Follows reports whether groups decide on the role at each sign-in.
	Follows bool
}

// claims are what a provider says of somebody.
type claims map[string]any

// value returns a claim by its name; one within others by their names with dots
// between.
func (c claims) value(name string) any {
	if v, ok := c[name]; ok {
		return v
	}
	first, rest, deeper := strings.Cut(name, ".")
	if within, ok := c[first].(map[string]any); ok && deeper {
		return claims(within).value(rest)
	}
	return nil
}

func (c claims) text(name string) string {
	text, _ := c.value(name).(string)
	return strings.TrimSpace(text)
}

// list is a claim that is a list of texts, or a single one.
func (c claims) list(name string) (out []string) {
	switch v := c.value(name).(type) {
	case string:
		return []string{v}
	case []any:
		for _, e := range v {
			if text, ok := e.(string); ok {
				out = append(out, text)
			}
		}
	}
	return out
}

// wants reports whether something that the rules ask for is not in the claims.
func (p *Provider) wants(c claims) bool {
	groups := len(p.Groups) > 0 || len(p.Roles) > 0
	return c.value(p.NameClaim) == nil || groups && c.value(p.GroupClaim) == nil || c.value("email") == nil
}

// admit holds what the provider says against the lab's rules.
func (p *Provider) admit(subject string, c claims) (Identity, error) {
	email, name := c.text("email"), c.text("preferred_username")
	who := Identity{Issuer: p.Issuer, Subject: subject, Name: cmp.Or(c.text(p.NameClaim), name),
		Label: shown(cmp.Or(email, name, subject)), New: !p.KnownOnly, Role: p.NewRole, Follows: len(p.Roles) > 0}
	if len(p.Domains) > 0 && !p.ofDomain(email, c.value("email_verified")) {
		return Identity{}, p.denied("only people with an e-mail address of certain domains come in here, and yours is none of them, or not verified by the provider")
	}
	groups := c.list(p.GroupClaim)
	if len(p.Groups) > 0 && !slices.ContainsFunc(p.Groups, func(g string) bool { return slices.Contains(groups, g) }) {
		return Identity{}, p.denied("only people of certain groups come in here, and you are in none of them")
	}
	for _, r := range p.Roles {
		if slices.Contains(groups, r.Group) {
			who.Role = max(who.Role, r.Role)
		}
	}
	return who, nil
}

// shown is a text of the provider's as lists show it: without what cannot be seen,
// or turns the direction of what follows.
func shown(text string) string {
	var out []rune
	for _, r := range text {
		if unicode.IsGraphic(r) && len(out) < wordsMost {
			out = append(out, r)
		}
	}
	return string(out)
}

// ofDomain reports whether an e-mail address is of a domain that is let in, and
// verified: anybody can give any address.
func (p *Provider) ofDomain(email string, verified any) bool {
	at := strings.LastIndexByte(email, '@')
	return at > 0 && (verified == true || verified == "true") &&
		slices.ContainsFunc(p.Domains, func(d string) bool { return strings.EqualFold(d, email[at+1:]) })
}

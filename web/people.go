package web

import (
	"strconv"
	"time"
)

// Roles are the roles that a person may have, in the order of what they allow.
var Roles = []Option{{Value: "viewer", Label: "viewer: looks and exports"}, {Value: "operator", Label: "operator: runs and edits"}, {Value: "owner", Label: "owner: everything"}}

// roleHelp says in a sentence what a role may do.
func roleHelp(role string) string {
	switch role {
	case "owner":
		return "An owner may do everything: delete, and give and take access."
	case "operator":
		return "An operator runs procedures, edits what they are made of, and shares."
	}
	return "A viewer looks at everything and exports it."
}

// PeopleProps is the page of the lab's persons.
type PeopleProps struct {
	Page        Page
	CanChange   bool // whoever looks is an owner
	Persons     []PersonRow
	Invitations []InvitationRow // that are good; for owners alone
	Invite      Form
}

// PersonRow is a person in the list.
type PersonRow struct {
	ID        string
	Name      string
	Role      string
	Damaged   string // what of them cannot be read
	By        string
	Since     time.Time
	Suspended time.Time // zero: not
	Browsers  int
	Tokens    int
	Shares    int // links made under their name that are good
	Used      time.Time
	SignOn    string // how they call themselves at the single sign-on that signs in as them
	Me        bool
}

// InvitationRow is a link that still lets somebody in.
type InvitationRow struct {
	ID      string
	Damaged string // why it gives nothing; "": it does
	What    string // whom it lets in
	By      string
	Created time.Time
	Expires time.Time
	Uses    int // how often it may be used
	Used    int
}

// KeyProps is the page that shows a new secret, once.
type KeyProps struct {
	Page    Page
	Title   string
	What    string // what it does, in a sentence
	Link    string // an address; "" for a token
	Token   string // a token; "" for an address
	Expires time.Time
	Back    string // where to go on
	BackTo  string // what is there
}

// AccessProps is the page of what gives access: one's own browsers and tokens,
// for an owner everybody's tokens, and the share links of the lab.
type AccessProps struct {
	Page       Page
	CanShare   bool // whoever looks may revoke share links
	IsBrowser  bool // they look with a browser of theirs
	Browsers   []BrowserRow
	Tokens     []TokenRow
	Everybodys bool // the tokens are everybody's
	Token      Form
	Scopes     []Option // that whoever looks may give a token
	Shares     []ShareRow
	Browser    Form // the one whose name was refused
	SignOn     BoundProps
}

// BoundProps is the single sign-on of whoever looks.
type BoundProps struct {
	Label   string // how they call themselves there; "": none is bound
	At      string // what the lab calls it; "": it has none
	CanBind bool
}

// SignOnProps is the button of the lab's single sign-on.
type SignOnProps struct {
	Name string // what the lab calls it; "": it has none
	Href string
	Down string // that it does not work, in a sentence
}

// NewcomerProps is the page that asks a newcomer for a name.
type NewcomerProps struct {
	Page   Page
	Label  string // how they call themselves at the single sign-on
	At     string
	Role   string
	Sealed string
	Form   Form
}

// BindProps is the page that asks whether a sign-in is to be somebody's.
type BindProps struct {
	Page   Page
	Label  string
	Name   string // that they have there
	At     string
	Sealed string
}

// BrowserRow is a signed-in browser.
type BrowserRow struct {
	ID      string
	Damaged string // why it gives nothing; "": it does
	Name    string
	This    bool // the page is looked at with it
	Created time.Time
	Expires time.Time
	Used    time.Time
}

// TokenRow is a token that is good.
type TokenRow struct {
	ID      string
	Damaged string // why it gives nothing; "": it does
	Name    string
	Person  string
	Scope   string // that it was made with
	Now     string // that it gives now; "": none
	Created time.Time
	Expires time.Time
	Used    time.Time
}

// ShareRow is a share link that is good.
type ShareRow struct {
	ID      string
	Damaged string // why it gives nothing; "": it does
	What    string // what it shows
	Href    string // that page, for those who are signed in
	By      string
	Created time.Time
	Expires time.Time
	Used    time.Time
}

// browserName is what a browser is called, or that it has no name.
func browserName(b *BrowserRow) string {
	if b.Name == "" {
		return "without a name"
	}
	return b.Name
}

// sharesStay says what becomes of the share links of somebody who is suspended
// or removed, up to where they are taken back.
func sharesStay(q *PersonRow) string {
	const where = " when they are suspended or removed: they are the lab's. Take them back under"
	switch q.Shares {
	case 0:
		return "No share link of theirs is good at present; one would stay" + where
	case 1:
		return "The share link that they made stays good" + where
	}
	return "The " + strconv.Itoa(q.Shares) + " share links that they made stay good" + where
}

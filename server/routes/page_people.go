package routes

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/people"
	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/web"
)

func (s *Server) peoplePages() []route {
	return []route{
		{"GET", "/people", store.Viewer, page, s.peoplePage},
		{"POST", "/people/invite", store.Owner, page, s.inviteForm},
		{"POST", "/people/invitations/{invitation}/revoke", store.Owner, page, s.uninviteForm},
		{"POST", "/people/{person}/link", store.Owner, page, s.personLinkForm},
		{"POST", "/people/{person}/role", store.Owner, page, s.personForm(s.roleForm)},
		{"POST", "/people/{person}/suspend", store.Owner, page, s.personForm(func(ctx context.Context, who store.Access, id int64, _ url.Values) error {
			return s.People.Suspend(ctx, who, id)
		})},
		{"POST", "/people/{person}/resume", store.Owner, page, s.personForm(func(ctx context.Context, who store.Access, id int64, _ url.Values) error {
			return s.People.Resume(ctx, who, id)
		})},
		{"POST", "/people/{person}/remove", store.Owner, page, s.personForm(s.removeForm)},
	}
}

// peoplePage is the page of the lab's persons.
func (s *Server) peoplePage(w http.ResponseWriter, r *http.Request) error {
	p, err := s.peopleProps(r.Context())
	if err != nil {
		return err
	}
	return show(r.Context(), w, http.StatusOK, web.People(p))
}

func (s *Server) peopleProps(ctx context.Context) (web.PeopleProps, error) {
	who := accessOf(ctx)
	p := web.PeopleProps{Page: s.frame(ctx, "People", "/people"), CanChange: who.Role >= store.Owner,
		Invite: web.Form{ID: "invite", Values: url.Values{"role": {"viewer"}, "days": {"7"}, "uses": {"1"}}}}
	all, err := s.Store.ListPersons(ctx)
	if err != nil {
		return p, err
	}
	for _, q := range all {
		p.Persons = append(p.Persons, web.PersonRow{ID: decimal(q.ID), Name: q.Name, Role: q.Role.String(), Damaged: q.Damaged, By: q.By, Since: q.Created,
			Suspended: q.Suspended, Browsers: q.Browsers, Tokens: q.Tokens, Shares: q.Shares, Used: q.Used, SignOn: q.SignOn, Me: q.ID == who.Person})
	}
	if !p.CanChange {
		return p, nil
	}
	open, err := s.Store.ListInvitations(ctx)
	for _, v := range open {
		p.Invitations = append(p.Invitations, web.InvitationRow{ID: decimal(v.ID), Damaged: v.Damaged, What: invitationWords(&v), By: v.By,
			Created: v.Created, Expires: v.Expires, Uses: v.Uses, Used: v.Used})
	}
	return p, err
}

func decimal(n int64) string { return strconv.FormatInt(n, 10) }

// invitationWords says whom an invitation lets in.
func invitationWords(v *store.Invitation) string {
	if v.Person != "" {
		return "a browser of " + v.Person
	}
	if v.Damaged != "" {
		return "whoever came"
	}
	return "whoever comes, as " + v.Role.String()
}

// numbered reads the number in a request's address.
func numbered(r *http.Request, name, what string) (int64, error) {
	n, err := strconv.ParseInt(chi.URLParam(r, name), 10, 64)
	if err != nil || n < 1 {
		return 0, problem.NoSuch(what + " of this number")
	}
	return n, nil
}

// wholeDays reads a time in days, 1 to ten years.
func wholeDays(field, text string) (time.Duration, error) {
	days, err := strconv.Atoi(strings.TrimSpace(text))
	if err != nil || days < 1 || days > int(store.MaxAge/(24*time.Hour)) {
		return 0, problem.Field(field, "give whole days, 1 to 3650")
	}
	return time.Duration(days) * 24 * time.Hour, nil
}

// inviteForm makes an invitation and shows it, once.
func (s *Server) inviteForm(w http.ResponseWriter, r *http.Request) error {
	key, age, role, err := s.invited(r)
	if err == nil {
		return s.showLink(w, r, key, age, "An invitation", "This link lets somebody in, as "+role.String()+". Send it to them, or let their camera look at it.", "/people", "People")
	}
	p, shown := s.peopleProps(r.Context())
	if shown != nil {
		return shown
	}
	e := s.classify(r.Context(), err)
	p.Invite = formOf("invite", r.PostForm, e, nil)
	return show(r.Context(), w, e.Status, web.People(p))
}

func (s *Server) invited(r *http.Request) (key people.Key, age time.Duration, role store.Role, err error) {
	f := r.PostForm
	if role, err = store.ParseRole(f.Get("role")); err != nil {
		return key, age, role, problem.Field("role", "choose viewer, operator or owner")
	}
	if age, err = wholeDays("days", f.Get("days")); err != nil {
		return key, age, role, err
	}
	uses, err := strconv.Atoi(strings.TrimSpace(f.Get("uses")))
	if err != nil {
		return key, age, role, problem.Field("uses", "give a whole number, 1 to 100")
	}
	key, err = s.People.Invite(r.Context(), accessOf(r.Context()), people.Invitation{Role: role, Age: age, Uses: uses})
	return key, age, role, err
}

// showLink shows a link that signs somebody in.
func (s *Server) showLink(w http.ResponseWriter, r *http.Request, key people.Key, age time.Duration, title, what, back, where string) error {
	return show(r.Context(), w, http.StatusOK, web.NewKey(web.KeyProps{
		Page: s.frame(r.Context(), title, "/people"), Title: title, What: what, Expires: s.Now().Add(age),
		Link: s.publicAddress(r) + signInPath(key), Back: back, BackTo: where,
	}))
}

func signInPath(key people.Key) string { return "/sign-in?key=" + key.Secret }

func (s *Server) uninviteForm(w http.ResponseWriter, r *http.Request) error {
	id, err := numbered(r, "invitation", "invitation")
	if err == nil {
		err = s.People.RevokeInvitation(r.Context(), accessOf(r.Context()), id)
	}
	if err != nil {
		return err
	}
	return seeOther(w, r, "/people#invitations")
}

// personLinkForm makes a link for a person who has lost their browser.
func (s *Server) personLinkForm(w http.ResponseWriter, r *http.Request) error {
	id, err := numbered(r, "person", "person")
	if err != nil {
		return err
	}
	p, err := s.Store.GetPerson(r.Context(), id)
	if err != nil {
		return err
	}
	key, err := s.People.Invite(r.Context(), accessOf(r.Context()), people.Invitation{Person: id, Age: people.StartAge})
	if err != nil {
		return err
	}
	return s.showLink(w, r, key, people.StartAge, "A link for "+p.Name, "This link signs one browser in as "+p.Name+".", "/people", "People")
}

// personForm handles a form that changes a person.
func (s *Server) personForm(change func(context.Context, store.Access, int64, url.Values) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		id, err := numbered(r, "person", "person")
		if err == nil {
			err = change(r.Context(), accessOf(r.Context()), id, r.PostForm)
		}
		if err != nil {
			return err
		}
		return seeOther(w, r, "/people")
	}
}

func (s *Server) roleForm(ctx context.Context, who store.Access, id int64, f url.Values) error {
	role, err := store.ParseRole(f.Get("role"))
	if err != nil {
		return err
	}
	return s.People.SetRole(ctx, who, id, role)
}

func (s *Server) removeForm(ctx context.Context, who store.Access, id int64, f url.Values) error {
	if f.Get("confirm") != "1" {
		return problem.New(problem.Invalid, "Tick the box to confirm that the person is to be removed for good.")
	}
	return s.People.Remove(ctx, who, id)
}

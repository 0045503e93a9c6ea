package routes

import (
	"context"
	"net/http"
	"time"

	"ohmkeep/server/people"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

func (s *Server) peopleEndpoints() []endpoint {
	const tag = "people"
	return []endpoint{
		{route: route{"GET", "/persons", store.Viewer, page, s.apiPersons}, id: "listPersons", tag: tag,
			summary: "Everybody who may come in, by name.", response: apiList[store.Person]{}},
		{route: route{"PUT", "/persons/{person}", store.Owner, page, s.apiSetPerson}, id: "setPerson", tag: tag,
			summary: "Give a person another role, suspend them, or let them in again. The last owner stays one.", request: apiPersonChange{}, response: store.Person{}},
		{route: route{"DELETE", "/persons/{person}", store.Owner, page, s.apiRemovePerson}, id: "removePerson", tag: tag, status: http.StatusNoContent,
			summary: "Remove a person for good, with all browsers, tokens and invitations of theirs."},
		{route: route{"DELETE", "/persons/{person}/sign-on", store.Owner, page, s.apiUnbind}, id: "unbindPerson", tag: tag, status: http.StatusNoContent,
			summary: "Take the single sign-on that signs in as a person off. What they are signed in with stays."},
		{route: route{"GET", "/invitations", store.Owner, page, s.apiInvitations}, id: "listInvitations", tag: tag,
			summary: "The links that still let somebody in, newest first, without their secrets.", response: apiList[store.Invitation]{}},
		{route: route{"POST", "/invitations", store.Owner, page, s.apiInvite}, id: "invite", tag: tag, status: http.StatusCreated,
			summary: "Make a link that lets somebody in, or signs a browser of a person in. Its path is answered once.", request: apiInvite{}, response: apiNewKey{}},
		{route: route{"DELETE", "/invitations/{invitation}", store.Owner, page, s.apiUninvite}, id: "revokeInvitation", tag: tag, status: http.StatusNoContent,
			summary: "Take a link back. Those whom it let in stay."},
		{route: route{"GET", "/browsers", store.Viewer, page, s.apiBrowsers}, id: "listBrowsers", tag: tag,
			summary: "The signed-in browsers of whoever asks; of an owner who asks, everybody's.", response: apiList[store.Browser]{}},
		{route: route{"PUT", "/browsers/{browser}", store.Viewer, page, s.apiNameBrowser}, id: "nameBrowser", tag: tag, status: http.StatusNoContent,
			summary: "Give a browser a name.", request: apiName{}},
		{route: route{"DELETE", "/browsers/{browser}", store.Viewer, page, s.apiEndBrowser}, id: "endBrowser", tag: tag, status: http.StatusNoContent,
			summary: "Sign a browser out. Whatever is open in it ends."},
		{route: route{"DELETE", "/browsers", store.Viewer, page, s.apiEndBrowsers}, id: "endBrowsers", tag: tag, status: http.StatusNoContent,
			summary: "Sign all browsers of whoever asks out."},
		{route: route{"GET", "/tokens", store.Viewer, page, s.apiTokens}, id: "listTokens", tag: tag,
			summary: "The tokens of whoever asks that are good, without their secrets; of an owner who asks, everybody's.", response: apiList[apiToken]{}},
		{route: route{"POST", "/tokens", store.Viewer, page, s.apiMakeToken}, id: "createToken", tag: tag, status: http.StatusCreated,
			summary: "Make a token of whoever asks. It is answered once.", request: apiTokenRequest{}, response: apiNewToken{}},
		{route: route{"DELETE", "/tokens/{token}", store.Viewer, page, s.apiRevokeToken}, id: "revokeToken", tag: tag, status: http.StatusNoContent,
			summary: "Make a token void for good. Whatever is open with it ends."},
	}
}

// apiPersonChange is the JSON request that changes a person.
type apiPersonChange struct {
	Role      store.Role `json:"role"`
	Suspended bool       `json:"suspended,omitempty" doc:"nothing of theirs gives access while it is true"`
}

// apiInvite is the JSON request that makes an invitation.
type apiInvite struct {
	Role    store.Role `json:"role,omitempty" doc:"of a newcomer; left out: viewer"`
	Person  int64      `json:"person,omitempty" doc:"number of a person whose browser is to be signed in; left out: a newcomer"`
	Expires float64    `json:"expires,omitempty" doc:"seconds from now; left out: 7 days"`
	Uses    int        `json:"uses,omitempty" doc:"how often it may be used, 1 to 100; left out: once"`
}

// apiNewKey is the JSON of a link that was just made.
type apiNewKey struct {
	ID   int64  `json:"id"`
	Path string `json:"path" doc:"of the link; answered once"`
	Link string `json:"link" doc:"the whole address, as the server knows it"`
}

type apiName struct {
	Name string `json:"name" max:"60"`
}

// apiToken is the JSON of a token.
type apiToken struct {
	ID      int64     `json:"id"`
	Name    string    `json:"name" doc:"what it is for"`
	Person  string    `json:"person" doc:"whose it is"`
	Scope   string    `json:"scope" doc:"read, operate or own: what it gives at most; never more than its person has now"`
	Now     string    `json:"now,omitempty" doc:"what it gives now: less than its scope where its person has less; absent: nothing, while its person is suspended"`
	By      string    `json:"by,omitempty" doc:"who made it"`
	Created time.Time `json:"created"`
	Expires time.Time `json:"expires,omitzero"`
	Used    time.Time `json:"used,omitzero" doc:"when it was last used, to a minute"`
	Damaged string    `json:"damaged,omitempty" doc:"why it gives nothing; absent: it is as it was stored"`
}

// apiTokenRequest is the JSON request that makes a token.
type apiTokenRequest struct {
	Name    string  `json:"name" max:"60" doc:"what it is for"`
	Scope   string  `json:"scope" doc:"read, operate or own"`
	Expires float64 `json:"expires,omitempty" doc:"seconds from now; left out: until it is revoked"`
}

// apiNewToken is the JSON of a token that was just made.
type apiNewToken struct {
	ID    int64  `json:"id"`
	Token string `json:"token" doc:"answered once"`
}

func (s *Server) apiPersons(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Store.ListPersons(r.Context())
	if err != nil {
		return err
	}
	return replyList(w, list)
}

func (s *Server) apiSetPerson(w http.ResponseWriter, r *http.Request) error {
	id, err := numbered(r, "person", "person")
	if err != nil {
		return err
	}
	q, err := decode[apiPersonChange](r)
	if err != nil {
		return err
	}
	ctx, who := r.Context(), accessOf(r.Context())
	now, err := s.Store.GetPerson(ctx, id)
	if err != nil {
		return err
	}
	if q.Role != now.Role {
		err = s.People.SetRole(ctx, who, id, q.Role)
	}
	switch {
	case err != nil:
	case q.Suspended && now.Suspended.IsZero():
		err = s.People.Suspend(ctx, who, id)
	case !q.Suspended && !now.Suspended.IsZero():
		err = s.People.Resume(ctx, who, id)
	}
	if err != nil {
		return err
	}
	if now, err = s.Store.GetPerson(context.WithoutCancel(ctx), id); err != nil {
		return err
	}
	return reply(w, http.StatusOK, now)
}

func (s *Server) apiRemovePerson(w http.ResponseWriter, r *http.Request) error {
	return s.takeBack(w, r, "person", "person", s.People.Remove)
}

func (s *Server) apiUnbind(w http.ResponseWriter, r *http.Request) error {
	return s.takeBack(w, r, "person", "person", s.People.Unbind)
}

// takeBack answers a request that takes something back, by its number.
func (s *Server) takeBack(w http.ResponseWriter, r *http.Request, param, what string, act func(context.Context, store.Access, int64) error) error {
	id, err := numbered(r, param, what)
	if err == nil {
		err = act(r.Context(), accessOf(r.Context()), id)
	}
	if err != nil {
		return err
	}
	return noContent(w)
}

func (s *Server) apiInvitations(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Store.ListInvitations(r.Context())
	if err != nil {
		return err
	}
	return replyList(w, list)
}

// ageOf is an age that a request gives in seconds; 0 is left out.
func ageOf(seconds float64) (time.Duration, error) {
	if seconds == 0 {
		return 0, nil
	}
	if !(seconds >= 1 && seconds <= store.MaxAge.Seconds()) {
		return 0, problem.Field("expires", "must be 1 second to ten years, in seconds")
	}
	return time.Duration(seconds * float64(time.Second)), nil
}

func (s *Server) apiInvite(w http.ResponseWriter, r *http.Request) error {
	q, err := decode[apiInvite](r)
	if err != nil {
		return err
	}
	v := people.Invitation{Person: q.Person, Role: max(q.Role, store.Viewer), Uses: max(q.Uses, 1)}
	if q.Uses < 0 {
		return problem.Field("uses", "1 to 100 times")
	}
	if v.Age, err = ageOf(q.Expires); err != nil {
		return err
	}
	if v.Age == 0 {
		v.Age = 7 * 24 * time.Hour
	}
	key, err := s.People.Invite(r.Context(), accessOf(r.Context()), v)
	if err != nil {
		return err
	}
	return reply(w, http.StatusCreated, apiNewKey{key.ID, signInPath(key), s.publicAddress(r) + signInPath(key)})
}

func (s *Server) apiUninvite(w http.ResponseWriter, r *http.Request) error {
	return s.takeBack(w, r, "invitation", "invitation", s.People.RevokeInvitation)
}

func (s *Server) apiBrowsers(w http.ResponseWriter, r *http.Request) error {
	who := accessOf(r.Context())
	if who.Role >= store.Owner {
		who.Person = 0
	}
	list, err := s.Store.ListBrowsers(r.Context(), who.Person)
	if err != nil {
		return err
	}
	return replyList(w, list)
}

func (s *Server) apiNameBrowser(w http.ResponseWriter, r *http.Request) error {
	q, err := decode[apiName](r)
	if err != nil {
		return err
	}
	return s.takeBack(w, r, "browser", "browser", func(ctx context.Context, who store.Access, id int64) error {
		return s.People.NameBrowser(ctx, who, id, q.Name)
	})
}

func (s *Server) apiEndBrowser(w http.ResponseWriter, r *http.Request) error {
	return s.takeBack(w, r, "browser", "browser", s.People.EndBrowser)
}

func (s *Server) apiEndBrowsers(w http.ResponseWriter, r *http.Request) error {
	if err := s.People.EndBrowsers(r.Context(), accessOf(r.Context())); err != nil {
		return err
	}
	return noContent(w)
}

// tokensOf lists the tokens that are good: one's own, for an owner everybody's.
func (s *Server) tokensOf(ctx context.Context, who store.Access) ([]apiToken, error) {
	all, err := s.Store.ListTokens(ctx)
	if err != nil {
		return nil, err
	}
	persons, err := s.Store.ListPersons(ctx)
	if err != nil {
		return nil, err
	}
	byID := map[int64]store.Person{}
	for _, p := range persons {
		byID[p.ID] = p
	}
	var out []apiToken
	for _, t := range all {
		if !t.Revoked.IsZero() || !t.Expires.IsZero() && !t.Expires.After(s.Now()) || who.Role < store.Owner && t.Person != who.Person {
			continue
		}
		p := byID[t.Person]
		out = append(out, apiToken{ID: t.ID, Name: t.Name, Person: p.Name, Scope: scopeName(t.Role), Now: scopeNow(&t, &p), By: t.By, Created: t.Created, Expires: t.Expires, Used: t.Used, Damaged: t.Damaged})
	}
	return out, nil
}

// scopeNow is the scope that a token of a person gives now; "" is none.
func scopeNow(t *store.Token, p *store.Person) string {
	role := min(t.Role, p.Role)
	if role == store.Nobody || !p.Suspended.IsZero() {
		return ""
	}
	return scopeName(role)
}

func (s *Server) apiTokens(w http.ResponseWriter, r *http.Request) error {
	list, err := s.tokensOf(r.Context(), accessOf(r.Context()))
	if err != nil {
		return err
	}
	return replyList(w, list)
}

func (s *Server) apiMakeToken(w http.ResponseWriter, r *http.Request) error {
	q, err := decode[apiTokenRequest](r)
	if err != nil {
		return err
	}
	role, err := roleOfScope(q.Scope)
	if err != nil {
		return err
	}
	age, err := ageOf(q.Expires)
	if err != nil {
		return err
	}
	key, err := s.People.MakeToken(r.Context(), accessOf(r.Context()), people.Token{Role: role, Name: q.Name, Age: age})
	if err != nil {
		return err
	}
	return reply(w, http.StatusCreated, apiNewToken{key.ID, key.Secret})
}

func (s *Server) apiRevokeToken(w http.ResponseWriter, r *http.Request) error {
	return s.takeBack(w, r, "token", "token", s.People.RevokeToken)
}

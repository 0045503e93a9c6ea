package routes

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestTokensSayWhatTheyGiveNow: a token of somebody whose role fell, or who is
// suspended, does not look as good as when it was made.
func TestTokensSayWhatTheyGiveNow(t *testing.T) {
	t.Parallel()
	a := newAPI(t)
	ctx := t.Context()
	_, err := a.store.NewSession(ctx, store.Operator, "Boole", time.Hour)
	must(t, err)
	boole := a.named("Boole").ID
	_, id, err := a.store.MakeToken(ctx, store.TokenRequest{Person: boole, Role: store.Operator, Name: "nightly", By: "Boole"})
	must(t, err)
	owner := a.signIn(t, store.Owner)
	says := func(now, words string) {
		t.Helper()
		for _, x := range read[apiList[apiToken]](a, a.ask(store.Owner, "GET", "/tokens", nil), 200).Items {
			if x.ID == id && (x.Scope != "operate" || x.Now != now) {
				t.Errorf("%+v", x)
			}
		}
		_, row, _ := strings.Cut(owner.get("/access"), ">nightly<")
		row, _, _ = strings.Cut(row, "</tr>")
		if !strings.Contains(row, words) {
			t.Errorf("the row says %s", row)
		}
	}
	says("operate", "operate")
	must(t, a.store.SetRole(ctx, boole, store.Viewer, "x"))
	says("read", ">read now<")
	must(t, a.store.Suspend(ctx, boole, "x"))
	says("", ">nothing now<")
	must(t, a.store.Resume(ctx, boole, "x"))
	must(t, a.store.SetRole(ctx, boole, store.Operator, "x"))
	says("operate", "operate")
}

// TestDamagedPerson: one role that cannot be read is said beside that person, on
// the page and by the API; everybody else is listed as ever, and an owner mends it.
func TestDamagedPerson(t *testing.T) {
	t.Parallel()
	a := newAPI(t)
	secret, err := a.store.NewSession(t.Context(), store.Viewer, "Boole", time.Hour)
	must(t, err)
	boole := &browserOf{a, t, secret}
	owner := a.signIn(t, store.Owner)
	storetest.Exec(t, a.store, "PRAGMA ignore_check_constraints = 1; UPDATE persons SET role = 'viewes' WHERE name = 'Boole'")
	page := owner.get("/people")
	if !strings.Contains(page, "Boole") || !strings.Contains(page, ">damaged<") || !strings.Contains(page, "owner") {
		t.Errorf("%s", page)
	}
	p := a.named("Boole")
	if p.Role != store.Nobody || p.Damaged == "" || a.named("owner").Role != store.Owner {
		t.Errorf("%+v", p)
	}
	if w := boole.ask("GET", "/devices", nil); w.Code == http.StatusOK {
		t.Error("they have access")
	}
	for _, address := range []string{"/access", "/people", "/sign-in", "/sign-in?to=/people"} {
		if w := boole.ask("GET", address, nil); w.Code != http.StatusUnauthorized || !strings.Contains(w.Body.String(), "the sign-in of Boole is damaged") {
			t.Errorf("%s does not say why they are not signed in: %d %s", address, w.Code, w.Body)
		}
	}
	owner.post("/people/"+decimal(p.ID)+"/role", url.Values{"role": {"viewer"}}, http.StatusSeeOther)
	boole.get("/devices")
	if strings.Contains(owner.get("/people"), ">damaged<") {
		t.Error("it is still damaged")
	}
}

// TestDamagedAccessIsListed: a damaged browser, token, invitation or share link is
// marked where it stands, beside those that are good, and can be taken back.
func TestDamagedAccessIsListed(t *testing.T) {
	t.Parallel()
	a := newAPI(t)
	ctx := t.Context()
	a.runOnce(map[string]any{"serial": "S1", "lot": "L1"})
	owner := a.signIn(t, store.Owner)
	me := a.named("owner").ID
	for _, name := range []string{"first", "second"} {
		_, _, err := a.store.MakeToken(ctx, store.TokenRequest{Person: me, Role: store.Owner, Name: name, By: "owner"})
		must(t, err)
		_, _, err = a.store.Invite(ctx, store.InvitationRequest{Kind: store.OpenInvitation, Role: store.Viewer, By: "owner", Age: time.Hour, Uses: 1})
		must(t, err)
		_, _, err = a.store.MakeShare(ctx, &store.Share{Kind: store.LotShare, Subject: "L1", By: name})
		must(t, err)
	}
	_, err := a.store.NewSession(ctx, store.Owner, "owner", time.Hour)
	must(t, err)
	for table, page := range map[string]string{"tokens": "/access", "invitations": "/people", "shares": "/access", "sessions": "/access"} {
		if strings.Contains(owner.get(page), ">damaged<") {
			t.Fatalf("%s: damaged before", table)
		}
		storetest.Exec(t, a.store, "UPDATE "+table+" SET created = created + 1 WHERE id = (SELECT max(id) FROM "+table+")")
		if n := strings.Count(owner.get(page), ">damaged<"); n != 1 {
			t.Errorf("%s: %d marked as damaged, want one", table, n)
		}
		storetest.Exec(t, a.store, "DELETE FROM "+table+" WHERE id = (SELECT max(id) FROM "+table+")")
	}
}

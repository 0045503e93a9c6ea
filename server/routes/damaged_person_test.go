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
	owner.post("/people/"+decimal(p.ID)+"/role", url.Values{"role": {"viewer"}}, http.StatusSeeOther)
	boole.get("/devices")
	if strings.Contains(owner.get("/people"), ">damaged<") {
		t.Error("it is still damaged")
	}
}

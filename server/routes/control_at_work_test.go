package routes

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"ohmkeep/store"
)

// TestControlStaysDuringARun: neither an owner nor the holder changes who has
// control while a run is at work, by the API or by the pages, which offer it not.
func TestControlStaysDuringARun(t *testing.T) {
	t.Parallel()
	const at = "/benches/rehearsal/control"
	a := newAPI(t)
	a.describeAndSeat()
	other, owner := a.signIn(t, store.Operator), a.signIn(t, store.Owner)
	offers := func(b *browserOf, take, release bool) {
		t.Helper()
		page := b.get("/bench")
		if got := strings.Contains(page, ">Take control<"); got != take {
			t.Errorf("the page offers to take control: %v", got)
		}
		if got := strings.Contains(page, ">Release control<"); got != release {
			t.Errorf("the page offers to give it up: %v", got)
		}
	}
	id := a.hang(nil) // of the operator who has the API's token
	out := a.ask(store.Owner, "PUT", at, nil)
	if out.status != http.StatusConflict || !strings.Contains(out.problem.Detail, "Stop the run first: everybody may") {
		t.Errorf("an owner took control: %d %s", out.status, out.body)
	}
	out = a.ask(store.Operator, "DELETE", at, nil)
	if out.status != http.StatusConflict || !strings.Contains(out.problem.Detail, "Stop the run first") {
		t.Errorf("the holder gave control up: %d %s", out.status, out.body)
	}
	owner.post("/bench/control", url.Values{"do": {"take"}}, http.StatusConflict)
	offers(owner, false, false)
	offers(other, false, false)
	a.ask(store.Operator, "POST", "/runs/"+id+"/stop", nil)
	a.clock.open()
	a.wait()
	offers(owner, true, false)
	owner.post("/bench/control", url.Values{"do": {"take"}}, http.StatusSeeOther)
	offers(owner, false, true)
}

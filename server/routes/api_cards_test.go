package routes

import (
	"net/http"

	"ohmkeep/store"
)

// cards walks what is there beside a link; the rehearsal bench has no cards,
// and asks for nothing to be confirmed.
func (a *apiRig) cards() {
	t := a.t
	if n := len(get[apiList[apiConfirmStanding]](a, "/benches/rehearsal/confirmations").Items); n != 0 {
		t.Errorf("the rehearsal bench asks for %d things", n)
	}
	read[apiList[apiConfirmStanding]](a, a.ask(store.Operator, "POST", "/benches/rehearsal/confirmations", apiConfirmRequest{Device: "load", Confirm: everyName()}), http.StatusOK)
}

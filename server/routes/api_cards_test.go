package routes

import (
	"context"
	"net/http"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/cardinfo"
	"ohmkeep/store"
)

// cards walks what is there beside a link: first on the rehearsal bench, which
// has no cards and asks for nothing to be confirmed, then with a card.
func (a *apiRig) cards() {
	t, p := a.t, a.server.Lab.InUse()
	const at = "/benches/rehearsal/"
	if n := len(get[apiList[apiConfirmStanding]](a, at+"confirmations").Items); n != 0 {
		t.Errorf("the rehearsal bench asks for %d things", n)
	}
	if n := len(get[apiList[apiConnectionHealth]](a, at+"connections").Items); n != 0 {
		t.Errorf("the rehearsal bench has %d connections", n)
	}
	for _, body := range []string{`{"connection":"cards","message":"*IDN?"}`} {
		if out := a.ask(store.Operator, "POST", at+"messages", body); out.status != http.StatusConflict {
			t.Errorf("a message to no card: %d", out.status)
		}
	}
	f, rehearse := newFakeCards(), p.Rehearse
	f.check = func(_ context.Context, _ string, found func(cardinfo.Finding)) error {
		found(cardinfo.Finding{Group: "Identity", Title: "*IDN? answers", Verdict: cardinfo.Pass})
		return nil
	}
	p.Cards, p.Rehearse = f, nil
	defer func() { p.Cards, p.Rehearse = nil, rehearse }()
	for _, c := range read[apiList[apiConfirmStanding]](a, a.ask(store.Operator, "POST", at+"confirmations", apiConfirmRequest{Device: "load", Confirm: everyName()}), http.StatusOK).Items {
		if c.By != "operator" {
			t.Errorf("%s is not confirmed", c.Name)
		}
	}
	if h := get[apiList[apiConnectionHealth]](a, at+"connections").Items; len(h) != 1 || h[0].Condition != cardinfo.Ready || h[0].Serial != "7" {
		t.Errorf("connections %+v", h)
	}
	x := read[apiExchange](a, a.ask(store.Operator, "POST", at+"messages", `{"connection":"cards","message":"*IDN?"}`), http.StatusOK)
	if len(x.Answers) != 1 || x.MadeSafe || len(x.Events) != 2 {
		t.Errorf("exchange %+v", x)
	}
	traffic := get[apiTraffic](a, at+"traffic?after=1&limit=10")
	if len(traffic.Items) != 1 || traffic.Last != 2 || traffic.Items[0].Direction != cardinfo.In || !strings.HasSuffix(traffic.Items[0].Text, "<CR><LF>") {
		t.Errorf("traffic %+v", traffic)
	}
	if c := read[apiCardCheck](a, a.ask(store.Operator, "POST", at+"checks", apiCheckRequest{Confirm: []string{"empty"}}), http.StatusAccepted); c.By != "operator" {
		t.Errorf("check %+v", c)
	}
	a.checkEnds(t)
	if c := get[apiCardCheck](a, at+"checks"); len(c.Findings) != 1 || c.Findings[0].Verdict != cardinfo.Pass {
		t.Errorf("check %+v", c)
	}
	a.ask(store.Operator, "DELETE", at+"control", nil)
	id := get[apiHistory](a, "/runs").Items[0].ID
	must(t, a.store.SaveTraffic(t.Context(), id, cardinfo.Traffic{Events: f.events, Dropped: 3}))
	if got := get[apiTraffic](a, "/runs/"+id+"/traffic?limit=1"); len(got.Items) != 1 || got.Dropped != 3 || got.Last != 2 || got.Items[0].Hex != "2a49444e3f0a" {
		t.Errorf("traffic of the run: %+v", got)
	}
}

// checkEnds waits until the check of cards at work has ended.
func (a *apiRig) checkEnds(t *testing.T) {
	t.Helper()
	look := time.NewTicker(time.Millisecond)
	defer look.Stop()
	for a.cardCheck().Running {
		<-look.C
	}
}

func (a *apiRig) cardCheck() apiCardCheck {
	return get[apiCardCheck](a, "/benches/rehearsal/checks")
}

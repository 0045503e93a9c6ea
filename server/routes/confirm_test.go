package routes

import (
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

func (a *apiRig) asked(t *testing.T, out *answer) []string {
	t.Helper()
	if out.status != http.StatusConflict || len(out.problem.Confirm) == 0 {
		t.Fatalf("status %d: %s", out.status, out.body)
	}
	var names []string
	for _, c := range out.problem.Confirm {
		names = append(names, c.Name)
	}
	return names
}

// TestConfirmedBeforePower: nothing starts on a bench with cards before each
// thing is confirmed by name; then not again in the session of control, and
// every run has it on record.
func TestConfirmedBeforePower(t *testing.T) {
	a, _ := newCardRig(t)
	start := map[string]any{"device": "load", "procedure": "check", "serial": "S1"}
	if got := a.asked(t, a.ask(store.Operator, "POST", "/runs", start)); !slices.Equal(got, everyName()) {
		t.Fatalf("asked for %v", got)
	}
	if now := a.server.Lab.InUse().Station.Snapshot(); now.Session != "" || now.Run != "" {
		t.Errorf("a refused start left %+v", now)
	}
	start["confirm"] = everyName()[1:] // all but one
	a.asked(t, a.ask(store.Operator, "POST", "/runs", start))
	start["confirm"] = everyName()
	id := a.start(start)
	a.wait()
	rec := get[procedure.Record](a, "/runs/"+id)
	if len(rec.Confirmed) != len(everyName()) || rec.Confirmed[0].By != "operator" || rec.Confirmed[0].At.IsZero() || rec.Confirmed[8].What == "" {
		t.Errorf("on record: %+v", rec.Confirmed)
	}
	if now := a.server.Lab.InUse().Station.Snapshot(); now.Holder != "operator" {
		t.Errorf("whoever confirmed does not hold control: %+v", now)
	}
	delete(start, "confirm")
	second := get[procedure.Record](a, "/runs/"+a.start(start))
	a.wait()
	if !slices.Equal(second.Confirmed, rec.Confirmed) {
		t.Errorf("the second run: %+v", second.Confirmed)
	}
	if out := a.ask(store.Operator, "POST", "/runs/"+id+"/rerun", nil); out.status != http.StatusCreated {
		t.Errorf("run again: %s", out.body)
	}
	a.wait()
}

// TestConfirmedAgain: what ends a session of control, or changes what is in
// the socket, has it asked anew.
func TestConfirmedAgain(t *testing.T) {
	manual := apiManualRequest{Device: "load", Measurement: loadProcedure().Measurements[0]}
	all := apiConfirmRequest{Device: "load", Confirm: everyName()}
	const at = "/benches/rehearsal/"
	for name, c := range map[string]struct {
		change func(a *apiRig)
		asked  []string
	}{
		"released": {func(a *apiRig) { a.ask(store.Operator, "DELETE", at+"control", nil) }, everyName()},
		"taken over and back": {func(a *apiRig) {
			a.ask(store.Owner, "PUT", at+"control", nil)
			a.ask(store.Owner, "DELETE", at+"control", nil)
		}, everyName()},
		"another drawing": {func(a *apiRig) {
			m := loadPinMap()
			m.Contacts[1], m.Contacts[3] = 3, 1
			read[apiSaved](a, a.ask(store.Operator, "PUT", "/devices/load/pinmaps/rehearsal", m, "If-Match", `"1"`), http.StatusOK)
		}, []string{"seated", "pin-1"}},
		"another revision of the device": {func(a *apiRig) {
			d := loadDevice()
			d.Package.ThermalPad = true
			read[apiSaved](a, a.ask(store.Operator, "PUT", "/devices/load", d, "If-Match", `"1"`), http.StatusOK)
		}, []string{"seated", "pin-1"}},
		"another device between": {func(a *apiRig) {
			d, m := loadDevice(), loadPinMap()
			d.Key, d.Name, m.Device = "load-2", "Another", "load-2"
			read[apiSaved](a, a.ask(store.Operator, "PUT", "/devices/load-2", d), http.StatusCreated)
			read[apiSaved](a, a.ask(store.Operator, "PUT", "/devices/load-2/pinmaps/rehearsal", m), http.StatusCreated)
			read[apiList[apiConfirmStanding]](a, a.ask(store.Operator, "POST", at+"confirmations", apiConfirmRequest{"load-2", []string{"seated", "pin-1"}}), http.StatusOK)
		}, []string{"seated", "pin-1"}},
	} {
		t.Run(name, func(t *testing.T) {
			a, _ := newCardRig(t)
			for _, got := range read[apiList[apiConfirmStanding]](a, a.ask(store.Operator, "POST", at+"confirmations", all), http.StatusOK).Items {
				if got.By != "operator" {
					t.Errorf("%s is not confirmed", got.Name)
				}
			}
			c.change(a)
			if got := a.asked(t, a.ask(store.Operator, "POST", "/manual", manual)); !slices.Equal(got, c.asked) {
				t.Errorf("asked for %v, want %v", got, c.asked)
			}
			manual := manual
			manual.Confirm = c.asked
			if out := a.ask(store.Operator, "POST", "/manual", manual); out.status != http.StatusCreated {
				t.Errorf("confirmed anew: %s", out.body)
			}
			a.wait()
		})
	}
}

// TestConfirmHeld: whoever does not hold control cannot confirm.
func TestConfirmHeld(t *testing.T) {
	a, _ := newCardRig(t)
	a.ask(store.Owner, "PUT", "/benches/rehearsal/control", nil)
	out := a.ask(store.Operator, "POST", "/benches/rehearsal/confirmations", apiConfirmRequest{"load", everyName()})
	if out.status != http.StatusConflict || len(out.problem.Confirm) > 0 {
		t.Errorf("%d %s", out.status, out.body)
	}
	for _, c := range get[apiList[apiConfirmStanding]](a, "/benches/rehearsal/confirmations?device=load").Items {
		if c.By != "" {
			t.Errorf("%s counts as confirmed", c.Name)
		}
	}
}

// TestTakenOverWhileConfirming: whoever confirmed and then lost control before
// the run began starts nothing.
func TestTakenOverWhileConfirming(t *testing.T) {
	a, _ := newCardRig(t)
	station := a.server.Lab.InUse().Station
	a.server.Lab.Now = func() time.Time { // asked for once control is taken: at each confirmation
		if now := station.Snapshot(); now.Holder == "operator" {
			must(t, station.TakeOver("owner", "another session"))
		}
		return a.clock.Now()
	}
	out := a.ask(store.Operator, "POST", "/runs", map[string]any{"device": "load", "procedure": "check", "confirm": everyName()})
	if out.status != http.StatusConflict || !strings.Contains(out.problem.Detail, "owner holds control") {
		t.Errorf("%d %s", out.status, out.body)
	}
	if now := station.Snapshot(); now.Run != "" || now.Holder != "owner" {
		t.Errorf("afterwards %+v", now)
	}
	a.wait()
}

package routes

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"ohmkeep/store"
)

// TestKeepIsOfTheDeviceShown: the page of one device does not offer to keep
// what was read from another.
func TestKeepIsOfTheDeviceShown(t *testing.T) {
	a := newAPI(t)
	other, pm := loadDevice(), loadPinMap()
	other.Key, pm.Device = "other", "other"
	_, err := a.store.SaveDevice(t.Context(), other, 0, "test")
	must(t, err)
	_, err = a.store.SavePinMap(t.Context(), pm, 0, "test")
	must(t, err)
	f := url.Values{"device": {"load"}, "do": {"ohm"}, "pin": {"1"}, "against": {"2"}, "method": {"two-wire"},
		"current": {"1 mA"}, "compliance": {"5 V"}, "cycles": {"1"}}
	if w := a.askPage(store.Operator, "POST", "/manual/measure", f); w.Code != http.StatusSeeOther {
		t.Fatalf("measuring: %d %s", w.Code, w.Body)
	}
	rig := a.server.Lab.InUse().Station
	must(t, rig.Wait(t.Context()))
	for device, want := range map[string]bool{"load": true, "other": false} {
		body := a.askPage(store.Operator, "GET", "/manual?device="+device, nil).Body.String()
		if got := strings.Contains(body, `action="/manual/keep"`); got != want {
			t.Errorf("%s: offered to keep: %v", device, got)
		}
	}
}

// TestManualSettleLeftEmpty: work by hand whose settle is left empty waits as long
// as the bench needs, and not at all where 0 is stated.
func TestManualSettleLeftEmpty(t *testing.T) {
	a := newAPI(t)
	for settle, want := range map[string]func(float64) bool{
		"":     func(s float64) bool { return s > 0 },
		" ":    func(s float64) bool { return s > 0 },
		"0 s":  func(s float64) bool { return s == 0 },
		"7 ms": func(s float64) bool { return s == 7e-3 },
	} {
		f := url.Values{"device": {"load"}, "do": {"ohm"}, "pin": {"1"}, "against": {"2"}, "method": {"two-wire"},
			"current": {"1 mA"}, "compliance": {"5 V"}, "cycles": {"1"}, "settle": {settle}}
		if w := a.askPage(store.Operator, "POST", "/manual/measure", f); w.Code != http.StatusSeeOther {
			t.Fatalf("measuring: %d %s", w.Code, w.Body)
		}
		b := a.server.Lab.InUse()
		must(t, b.Station.Wait(t.Context()))
		m := b.Manual()
		if got := m.Memory.Held().Record.Procedure.Measurements[0].Settle.Time; !want(got) {
			t.Errorf("settle %q became %g s", settle, got)
		}
	}
}

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

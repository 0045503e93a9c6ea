package routes

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"testing"

	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/store"
)

// newLeakage is a new measurement of input leakage on the demonstration's inverter,
// with the compliance that decides its range, and without times.
func newLeakage(compliance string) map[string]any {
	return map[string]any{"id": "new", "name": "New", "kind": "leakage", "pins": []int{1}, "powered": true, "compliance": json.Number(compliance)}
}

// On a range of 1 µA a channel has a time constant of 2 ms, on one of 1 mA of 20 µs:
// a measurement that states no times gets those of its ranges, by the form, by the
// API and in an imported document; what is stated stays.
func TestTimesComeFromTheBench(t *testing.T) {
	d := newDesk(t)
	add := "/procedures/tarnel-6-quick/add"
	d.says(d.page(add+"?kind=shorts", nil), http.StatusOK, `name="settle.time" value="2 ms"`)
	d.says(d.page(add+"?kind=voltage", nil), http.StatusOK, `name="settle.untilStable" value="1" checked`)

	last := func() procedure.Measurement {
		ms := d.procedure("tarnel-6-quick").Body.Measurements
		return ms[len(ms)-1]
	}
	for i, c := range []struct {
		compliance, settle, cycles string
		want                       float64
		of                         float64
	}{
		{"1 µA", "", "", 25e-3, 1}, {"1 mA", "", "5", 20e-3, 5}, {"1 µA", "3 ms", "", 3e-3, 1}, {"1 µA", "0 s", "2", 0, 2},
	} {
		f := url.Values{"kind": {"leakage"}, "rev": {fmt.Sprint(i + 1)}, "name": {"New"}, "pins": {"1"}, "powered": {"1"}, "rest": {"return"},
			"compliance": {c.compliance}, "settle.time": {c.settle}, "aperture": {"cycles"}, "aperture.cycles": {c.cycles}}
		d.says(d.page(add, f), http.StatusSeeOther, "")
		if m := last(); m.Settle.Time != c.want || m.Aperture.Cycles != c.of || m.Settle.UntilStable {
			t.Errorf("%+v: settle %s, %g cycles", c, quantity.Exact(m.Settle.Time, quantity.Second), m.Aperture.Cycles)
		}
	}

	body := map[string]any{"key": "timed", "name": "Timed", "device": "tarnel-6", "guard": 1}
	zero := newLeakage("1e-6")
	zero["id"], zero["settle"] = "zero", map[string]any{"time": 0}
	body["measurements"] = []any{newLeakage("1e-6"), zero}
	read[apiSaved](d.apiRig, d.ask(store.Operator, "PUT", "/procedures/timed", body), 201)
	got := d.procedure("timed").Body.Measurements
	if got[0].Settle.Time != 25e-3 || got[0].Aperture.Cycles != 1 || got[1].Settle.Time != 0 || got[1].Aperture.Cycles != 1 {
		t.Errorf("by the API: %+v %+v, %+v %+v", got[0].Settle, got[0].Aperture, got[1].Settle, got[1].Aperture)
	}
	body["key"] = "imported"
	text, err := json.Marshal(body)
	must(t, err)
	d.says(d.page("/procedures/import", url.Values{"document": {string(text)}, "do": {"save"}, "rev": {"0"}}), http.StatusSeeOther, "")
	if got := d.procedure("imported").Body.Measurements; got[0].Settle.Time != 25e-3 || got[0].Aperture.Cycles != 1 || got[1].Settle.Time != 0 {
		t.Errorf("imported: %+v %+v, %+v", got[0].Settle, got[0].Aperture, got[1].Settle)
	}
	// Of a device that is not there nothing can be said but that.
	body["key"], body["device"] = "nowhere", "nobody"
	if a := d.ask(store.Operator, "PUT", "/procedures/nowhere", body); a.status != http.StatusUnprocessableEntity {
		t.Errorf("for a device that is not there: %d %s", a.status, a.body)
	}
}

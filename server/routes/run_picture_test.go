package routes

import (
	"bytes"
	"fmt"
	"log/slog"
	"net/http"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"ohmkeep/server/bench"
	"ohmkeep/server/demo"
	"ohmkeep/server/live"
	"ohmkeep/server/liverun"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
	"ohmkeep/store"
)

// witness sees what the pages of a run at work see, and keeps all of it.
type witness struct {
	run.Observer
	seen  *liverun.Runs
	begin func(id string) // a run that was not seen before
	ids   map[string]bool
}

func (w *witness) Observe(u run.Update) {
	if !w.ids[u.Run] {
		w.ids[u.Run] = true
		w.begin(u.Run)
	}
	w.seen.Observe(u)
	w.Observer.Observe(u)
}

// TestPictureStaysWhenTheRunEnds: the last that the live page of a run has drawn
// of a measurement is what the permanent page, the API and a page after a
// restart draw, point for point, for every kind of measurement in the
// demonstration lab.
func TestPictureStaysWhenTheRunEnds(t *testing.T) {
	quiet := slog.New(slog.DiscardHandler)
	w := &witness{ids: map[string]bool{}, seen: liverun.New(live.NewHub(quiet, nil), nil, quiet)}
	a := newWitnessedAPI(t, func(o run.Observer) run.Observer { w.Observer = o; return w })
	w.begin = func(id string) {
		rec, err := a.store.GetRun(t.Context(), id)
		if err != nil {
			t.Error(err)
			return
		}
		w.seen.Open(rec)
	}
	docs, seen := demo.Scenario(), map[string]bool{}
	for _, d := range docs.Devices {
		_, err := a.store.SaveDevice(t.Context(), d, 0, "test")
		must(t, err)
	}
	for _, m := range docs.PinMaps {
		_, err := a.store.SavePinMap(t.Context(), m, 0, "test")
		must(t, err)
	}
	restarted := liverun.New(live.NewHub(quiet, nil), a.store, quiet)
	for _, p := range docs.Procedures {
		if !anyNew(seen, &p) {
			continue
		}
		_, err := a.store.SaveProcedure(t.Context(), p, 0, "test")
		must(t, err)
		id := read[apiStarted](a, a.ask(store.Operator, "POST", "/runs", map[string]any{
			"device": p.Device, "procedure": p.Key, "serial": "S1", "seat": true}), http.StatusCreated).ID
		a.wait()
		rec, err := a.store.GetRun(t.Context(), id)
		must(t, err)
		for m := range rec.Procedure.Measurements {
			samePicture(t, a, w.seen, restarted, rec, m)
		}
	}
	for _, k := range []string{"watch", "sweep", "contact", "leakage", "resistance", "threshold", "shorts"} {
		if !seen[k] {
			t.Errorf("no measurement of the kind %q was looked at", k)
		}
	}
}

func anyNew(seen map[string]bool, p *procedure.Procedure) (any bool) {
	for i := range p.Measurements {
		any = any || !seen[p.Measurements[i].Kind]
		seen[p.Measurements[i].Kind] = true
	}
	return any
}

// samePicture compares all the ways by which a measurement's plot is drawn.
func samePicture(t *testing.T, a *apiRig, seen, restarted *liverun.Runs, rec *procedure.Record, m int) {
	t.Helper()
	at := fmt.Sprintf("%s, %s (%s)", rec.Procedure.Key, rec.Procedure.Measurements[m].Name, rec.Procedure.Measurements[m].Kind)
	now, known := seen.Snapshot(rec.ID, m)
	if !known || now.Picture == nil || now.Picture.Readings() == 0 {
		t.Errorf("%s: nothing was drawn while it was at work", at)
		return
	}
	want := plotOf(rec, m, now.Picture)
	after, err := a.server.plotNow(t.Context(), rec, m, nil)
	must(t, err)
	if diff := cmp.Diff(want, after, cmpopts.EquateNaNs()); diff != "" {
		t.Errorf("%s: the picture changed with the end of the run:\n%.1000s", at, diff)
	}
	again, err := restarted.Picture(t.Context(), rec, m)
	must(t, err)
	if !bytes.Equal(again.Append(nil), now.Picture.Append(nil)) {
		t.Errorf("%s: the picture changed with a restart", at)
	}
	page := a.askPage(store.Viewer, "GET", fmt.Sprintf("/runs/%s?m=%d", rec.ID, m), nil).Body.String()
	var drawn bytes.Buffer
	must(t, want.SVG().Render(t.Context(), &drawn))
	if !bytes.Contains([]byte(page), drawn.Bytes()) {
		t.Errorf("%s: the permanent page draws something else", at)
	}
	got := get[apiPlot](a, fmt.Sprintf("/runs/%s/plot?measurement=%d", rec.ID, m))
	if len(got.Series) != len(want.Series) {
		t.Errorf("%s: the API has %d curves of %d", at, len(got.Series), len(want.Series))
		return
	}
	for i, s := range got.Series {
		if len(s.X) != len(want.Series[i].X) || s.Label != want.Series[i].Label {
			t.Errorf("%s: the API's curve %q has %d points of %d", at, s.Label, len(s.X), len(want.Series[i].X))
		}
	}
}

// TestThresholdOverSeveralInputs: the plot's input is what was set at the input,
// not what the watching channel was set to.
func TestThresholdOverSeveralInputs(t *testing.T) {
	m := procedure.Measurement{Kind: "threshold", Pins: []int{1, 3}, Observe: 2, Sweep: &procedure.Sweep{To: 5, Points: 3}}
	device := loadDevice()
	k, _ := procedure.KindByKey("threshold")
	p := liverun.NewPicture(k.Shape(&m, &device))
	for i, pin := range []uint8{1, 1, 3, 3} {
		level := float64(1 + i)
		p.Add([]bench.Reading{{Point: uint32(i), Group: uint16(i / 2), Pin: pin, Set: level, V: level}, {Point: uint32(i), Group: uint16(i / 2), Pin: 2, V: 10 * level}})
	}
	for g, s := range p.Series(&device) {
		if len(s.X) != 2 || s.X[0] != float64(1+2*g) || s.X[1] != float64(2+2*g) || s.Y[1] != 10*s.X[1] {
			t.Errorf("curve %d: %v against %v", g, s.Y, s.X)
		}
	}
}

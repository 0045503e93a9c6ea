package store_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// clocked returns a store whose clock moves on by a second each time it is
// read.
func clocked(t *testing.T) *store.Store {
	now := start
	return storetest.Open(t, storetest.Path(t), store.Options{Now: func() time.Time {
		now = now.Add(time.Second)
		return now
	}})
}

func TestDeviceRevisions(t *testing.T) {
	t.Parallel()
	s, ctx := clocked(t), t.Context()
	d := device("r-one")
	save := func(expected, want int) {
		t.Helper()
		rev, err := s.SaveDevice(ctx, d, expected, "ann")
		if err != nil || rev != want {
			t.Fatalf("revision %d (%v), want %d", rev, err, want)
		}
	}
	save(0, 1)
	_, err := s.SaveDevice(ctx, d, 0, "bob")
	wantCode(t, err, store.Conflict)
	save(1, 1) // nothing changed
	d.Name = "Second name"
	save(1, 2)
	d.Name = "Third name"
	_, err = s.SaveDevice(ctx, d, 1, "bob")
	wantCode(t, err, store.Conflict)
	_, err = s.SaveDevice(ctx, device("other"), 3, "bob")
	wantCode(t, err, store.NotFound)

	got, err := s.GetDevice(ctx, "r-one", 0)
	if err != nil || got.Body.Name != "Second name" || got.Rev != 2 || got.Latest != 2 || got.By != "ann" {
		t.Fatalf("latest: %+v %v", got, err)
	}
	old, err := s.GetDevice(ctx, "r-one", 1)
	if err != nil || old.Rev != 1 || old.Latest != 2 || !old.At.Before(got.At) {
		t.Fatalf("first: %+v %v", old, err)
	}
	if diff := cmp.Diff(device("r-one"), old.Body); diff != "" {
		t.Error(diff)
	}
	_, err = s.GetDevice(ctx, "r-one", 3)
	wantCode(t, err, store.NotFound)
	revs, err := s.DeviceRevisions(ctx, "r-one")
	if err != nil || len(revs) != 2 || revs[0].Rev != 2 {
		t.Errorf("revisions: %+v %v", revs, err)
	}
	_, err = s.DeviceRevisions(ctx, "nobody")
	wantCode(t, err, store.NotFound)
}

func TestInvalidDeviceNamesItsFields(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	d := device("r-one")
	d.Name, d.Pins[0].MaxI = "", math.NaN()
	_, err := s.SaveDevice(t.Context(), d, 0, "")
	wantCode(t, err, store.Invalid)
	var ps dut.Problems
	if !errors.As(err, &ps) || len(ps) != 2 || ps[0].Field != "name" || ps[1].Field != "pins[0].maxI" {
		t.Errorf("problems: %v", ps)
	}
}

func TestDeletedDeviceKeepsItsRevisions(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	if _, err := s.SaveDevice(ctx, device("r-one"), 0, ""); err != nil {
		t.Fatal(err)
	}
	if _, err := s.SaveProcedure(ctx, proc("p", "r-one"), 0, ""); err != nil {
		t.Fatal(err)
	}
	r := record("used", "")
	r.DeviceRev, r.ProcRev, r.Procedure = 1, 1, proc("p", "r-one")
	begin(t, s, r)
	wantCode(t, s.DeleteDevice(ctx, "r-one"), store.Conflict) // a procedure is written for it
	if err := s.DeleteProcedure(ctx, "p"); err != nil {
		t.Fatal(err)
	}
	if err := s.DeleteDevice(ctx, "r-one"); err != nil {
		t.Fatal(err)
	}
	wantCode(t, s.DeleteDevice(ctx, "r-one"), store.NotFound)
	if list, err := s.ListDevices(ctx); err != nil || len(list) != 0 {
		t.Errorf("list: %v %v", list, err)
	}
	got, err := s.GetDevice(ctx, "r-one", 1)
	if err != nil || !got.Removed {
		t.Errorf("the run's revision: %+v %v", got, err)
	}
	if rev, err := s.SaveDevice(ctx, device("r-one"), 0, ""); err != nil || rev != 2 {
		t.Errorf("brought back as revision %d: %v", rev, err)
	}
	if list, err := s.ListDevices(ctx); err != nil || len(list) != 1 || list[0].Removed {
		t.Errorf("list: %v %v", list, err)
	}
}

func TestProceduresBenchesAndPinMaps(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	_, err := s.SaveProcedure(ctx, proc("p", "nobody"), 0, "")
	wantCode(t, err, store.Invalid)
	for _, key := range []string{"dev-a", "dev-b"} {
		if _, err := s.SaveDevice(ctx, device(key), 0, ""); err != nil {
			t.Fatal(err)
		}
		if _, err := s.SaveProcedure(ctx, proc("p-"+key, key), 0, ""); err != nil {
			t.Fatal(err)
		}
	}
	list, err := s.ListProcedures(ctx, "dev-b")
	if err != nil || len(list) != 1 || list[0].Body.Key != "p-dev-b" {
		t.Errorf("of dev-b: %+v %v", list, err)
	}
	if list, err := s.ListProcedures(ctx, ""); err != nil || len(list) != 2 {
		t.Errorf("all: %+v %v", list, err)
	}
	bad := proc("No Key", "dev-a")
	_, err = s.SaveProcedure(ctx, bad, 0, "")
	wantCode(t, err, store.Invalid)
	nan := proc("nan", "dev-a")
	nan.Guard = math.NaN()
	_, err = s.SaveProcedure(ctx, nan, 0, "")
	wantCode(t, err, store.Invalid)

	m := bench.PinMap{Device: "dev-a", Bench: "b", Contacts: map[int]int{1: 48, 2: 3}, Straps: []bench.Strap{{Contact: 4, Kind: bench.StrapReturn}}}
	_, err = s.SavePinMap(ctx, m, 0, "")
	wantCode(t, err, store.Invalid) // no such bench
	b := bench.Definition{Key: "b", Name: "Bench", Contacts: 48, Channels: []bench.Channel{{ID: 1, ForceV: []bench.Range{{FullScale: 5}}}}}
	if _, err := s.SaveBench(ctx, b, 0, ""); err != nil {
		t.Fatal(err)
	}
	if rev, err := s.SavePinMap(ctx, m, 0, ""); err != nil || rev != 1 {
		t.Fatal(rev, err)
	}
	got, err := s.GetPinMap(ctx, "dev-a", "b", 0)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(m, got.Body); diff != "" {
		t.Error(diff)
	}
	gotBench, err := s.GetBench(ctx, "b", 0)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(b, gotBench.Body); diff != "" {
		t.Error(diff)
	}
	if maps, err := s.ListPinMaps(ctx, "", "b"); err != nil || len(maps) != 1 {
		t.Errorf("%+v %v", maps, err)
	}
	if maps, err := s.ListPinMaps(ctx, "dev-b", ""); err != nil || len(maps) != 0 {
		t.Errorf("%+v %v", maps, err)
	}
	if err := s.DeletePinMap(ctx, "dev-a", "b"); err != nil {
		t.Error(err)
	}
	if list, err := s.ListBenches(ctx); err != nil || len(list) != 1 {
		t.Errorf("%+v %v", list, err)
	}
}

func TestSeating(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	_, err := s.GetSeating(ctx, "b")
	wantCode(t, err, store.NotFound)
	for _, seed := range []uint64{1, math.MaxUint64} {
		if err := s.SetSeating(ctx, "b", map[string]any{"seed": seed}, "ann"); err != nil {
			t.Fatal(err)
		}
	}
	got, err := s.GetSeating(ctx, "b")
	if err != nil || string(got.Body) != `{"seed":18446744073709551615}` || got.By != "ann" {
		t.Errorf("%+v %v", got, err)
	}
	wantCode(t, s.SetSeating(ctx, "b", math.NaN(), ""), store.Invalid)
}

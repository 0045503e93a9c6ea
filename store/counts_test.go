package store_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestCountsAreTheCount: after any sequence of beginnings, readings, ends,
// deletions, whole and cut short, and restarts, every count that is kept is what a count of
// the rows gives.
func TestCountsAreTheCount(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	begun := 0
	rapid.Check(t, func(t *rapid.T) {
		for range rapid.IntRange(1, 12).Draw(t, "changes") {
			id := fmt.Sprint("r", max(0, begun-rapid.IntRange(1, 8).Draw(t, "back")))
			var err error
			switch rapid.IntRange(0, 10).Draw(t, "change") {
			default:
				err = s.Begin(ctx, drawRun(t, fmt.Sprint("r", begun)))
				begun++
			case 0, 1, 2:
				err = s.Finish(ctx, id, procedure.Ending{Ended: start.Add(time.Hour),
					Status:  rapid.SampledFrom([]procedure.Status{procedure.Done, procedure.Done, procedure.Stopped}).Draw(t, "status"),
					Outcome: rapid.SampledFrom([]derive.Outcome{derive.Pass, derive.Fail, derive.ConditionalPass, derive.NoLimits}).Draw(t, "outcome")})
			case 3:
				err = s.DeleteRun(ctx, id)
			case 6:
				err = s.MarkDeleting(ctx, id)
			case 4:
				_, err = s.MarkInterrupted(ctx)
			case 5:
				err = s.Append(ctx, id, batch(0, readings(0, rapid.IntRange(0, 40).Draw(t, "readings"), 1)))
			}
			if code := store.CodeOf(err); err != nil && code != store.NotFound && code != store.Conflict {
				t.Fatal(err)
			}
		}
		want, got, err := s.CountAgain(ctx)
		must(t, err)
		if got != want {
			t.Fatalf("kept:\n%s\ncounted:\n%s", got, want)
		}
	})
}

// The overview counts the readings of a run at work too.
func TestOverviewCountsWhatIsAtWork(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	begin(t, s, record("a", "u1"))
	appendAll(t, s, "a", batch(0, readings(0, 70, 1)))
	for range 2 { // at work, then ended
		o, err := s.GetOverview(t.Context(), 1)
		must(t, err)
		if o.Readings != 70 || o.Runs != 1 || o.Units != 1 {
			t.Errorf("%+v", o)
		}
		if err := s.Finish(t.Context(), "a", procedure.Ending{Status: procedure.Done, Ended: start.Add(time.Hour)}); err != nil && store.CodeOf(err) != store.Conflict {
			t.Fatal(err)
		}
	}
}

func TestNewestLots(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	run := func(id, serial, lot string, hours int, outcome derive.Outcome) {
		r := record(id, serial)
		r.Unit.Lot, r.Started = lot, start.Add(time.Duration(hours)*time.Hour)
		r.Device.Name = "Part of " + lot
		begin(t, s, r)
		if outcome != "running" {
			must(t, s.Finish(t.Context(), id, procedure.Ending{Status: procedure.Done, Outcome: outcome, Ended: r.Started.Add(time.Minute)}))
		}
	}
	run("1", "a1", "A", 1, derive.Fail)
	run("2", "b1", "B", 2, derive.Pass)
	run("3", "a2", "A", 3, derive.ConditionalPass)
	run("4", "a1", "A", 4, derive.Pass)  // again: this one counts
	run("5", "a2", "A", 0, derive.Fail)  // stored later, but older: this one does not
	run("6", "c1", "C", 9, "running")    // nothing finished yet
	run("7", "b1", "B", 5, derive.Fail)  // passed before
	run("8", "", "A", 1, derive.Invalid) // no serial number
	got, err := s.NewestLots(t.Context(), 3)
	must(t, err)
	want := []store.LotRow{{Lot: "C"}, {Lot: "B", DeviceName: "Part of B", Units: 1}, {Lot: "A", DeviceName: "Part of A", Units: 3, Passed: 2}}
	if !slices.Equal(got, want) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
	if got, err = s.NewestLots(t.Context(), 1); err != nil || len(got) != 1 || got[0].Lot != "C" {
		t.Errorf("%+v %v", got, err)
	}
}

// Pages of devices and procedures join up, each with what uses them.
func TestDevicePages(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	for i := range 23 {
		d := device(fmt.Sprintf("d-%02d", i))
		d.Name = fmt.Sprint("Part ", i%5) // names repeat
		if i%3 == 0 {
			d.Model = "check-load"
		}
		_, err := s.SaveDevice(ctx, d, 0, "test")
		must(t, err)
		for k := range i % 4 {
			_, err := s.SaveProcedure(ctx, proc(fmt.Sprintf("p-%02d-%d", i, k), d.Key), 0, "test")
			must(t, err)
		}
	}
	must(t, s.DeleteDevice(ctx, "d-20"))
	r := record("r", "u")
	r.Device = device("d-05")
	begin(t, s, r)
	all, err := s.ListDevices(ctx)
	must(t, err)
	heads, err := s.DeviceHeads(ctx)
	must(t, err)
	var paged []string
	for after, pages := "", 0; ; pages++ {
		page, next, err := s.DevicePage(ctx, after, 5)
		must(t, err)
		for _, d := range page {
			paged = append(paged, d.Body.Key)
		}
		if after = next; after == "" {
			break
		}
		if len(page) != 5 || pages > 5 {
			t.Fatalf("page %d has %d", pages, len(page))
		}
	}
	if len(all) != 22 || len(heads) != 22 || len(paged) != 22 {
		t.Fatalf("%d listed, %d heads, %d paged", len(all), len(heads), len(paged))
	}
	for i, d := range all {
		if heads[i] != (store.DeviceHead{Key: d.Body.Key, Name: d.Body.Name, Model: d.Body.Model}) || paged[i] != d.Body.Key {
			t.Errorf("%d: %+v, %s; want %s", i, heads[i], paged[i], d.Body.Key)
		}
	}
	use, err := s.DeviceUses(ctx, paged)
	must(t, err)
	if use["d-05"] != (store.DeviceUse{Procedures: 1, Runs: 1}) || use["d-07"] != (store.DeviceUse{Procedures: 3}) || use["d-08"] != (store.DeviceUse{}) {
		t.Errorf("uses %+v", use)
	}
	list, next, err := s.ProcedurePage(ctx, "d-07", "p-07-0", 1)
	if err != nil || len(list) != 1 || list[0].Body.Key != "p-07-1" || next != "p-07-1" {
		t.Errorf("%+v %q %v", list, next, err)
	}
	procs, err := s.ProcedureHeads(ctx)
	must(t, err)
	of, err := s.ProceduresOf(ctx, []string{"d-07", "d-05"})
	if everything, _ := s.ListProcedures(ctx, ""); err != nil || len(of) != 4 || len(procs) != len(everything) || procs[0].DeviceName != "Part 0" {
		t.Errorf("%d of two devices, %d heads: %+v, %v", len(of), len(procs), procs[0], err)
	}
	_, _, err = s.DevicePage(ctx, "never", 5)
	wantCode(t, err, store.Invalid)
}

func TestMappedDevices(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	for _, key := range []string{"d-a", "d-b", "d-c"} {
		_, err := s.SaveDevice(ctx, device(key), 0, "test")
		must(t, err)
	}
	r := record("", "")
	for _, bench := range []string{"b-one", "b-two"} {
		r.Bench.Key = bench
		_, err := s.SaveBench(ctx, r.Bench, 0, "test")
		must(t, err)
	}
	for _, m := range [][2]string{{"d-a", "b-one"}, {"d-b", "b-two"}, {"d-c", "b-one"}} {
		pm := r.PinMap
		pm.Device, pm.Bench = m[0], m[1]
		_, err := s.SavePinMap(ctx, pm, 0, "test")
		must(t, err)
	}
	must(t, s.DeletePinMap(ctx, "d-c", "b-one"))
	got, err := s.MappedDevices(ctx, "b-one")
	if err != nil || len(got) != 1 || got[0].Key != "d-a" {
		t.Errorf("%+v %v", got, err)
	}
}

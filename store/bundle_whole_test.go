package store_test

import (
	"bytes"
	"database/sql"
	"flag"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestBundleLeavesDamageOut: what is damaged does not come into a bundle, and is
// named; the rest does. A damaged run is brought back beside what is left of it.
func TestBundleLeavesDamageOut(t *testing.T) {
	t.Parallel()
	path := storetest.Path(t)
	a := storetest.Open(t, path, store.Options{})
	stockLab(t, a)
	for i := range 4 {
		stockRun(t, a, "run-"+itoa(i), 2000, func(r *procedure.Record) { r.Started = start.Add(time.Duration(i) * time.Hour) })
	}
	good, _ := exported(t, a, store.Choice{All: true})
	for _, harm := range []string{"UPDATE results SET value = 7 WHERE run = 1 AND measurement = 0", "UPDATE chunk_data SET data = CAST(data || x'00' AS BLOB) WHERE chunk = (SELECT min(id) FROM chunks WHERE run = 2)",
		"UPDATE budgets SET body = '{}' WHERE result = (SELECT min(id) FROM results WHERE run = 3)", "UPDATE pin_map_revisions SET body = '{}'"} {
		storetest.Exec(t, a, harm)
	}
	file, e := exported(t, a, store.Choice{All: true})
	var left []string
	for _, l := range e.LeftOut {
		left = append(left, l.What)
	}
	if d := cmp.Diff([]string{"pin map r-one/b-one, revision 1", "run run-0", "run run-1", "run run-2"}, left); d != "" {
		t.Error(d)
	}
	b := storetest.New(t)
	got := imported(t, b, file)
	if got.Runs != 1 || fates(got)["run run-3"] != store.FateNew || len(got.LeftOut) != 4 {
		t.Errorf("%+v", got)
	}
	back, err := a.Import(t.Context(), bytes.NewReader(good), "Bob", store.ImportOptions{})
	must(t, err)
	if back.Renamed < 3 || fates(back)["run run-3"] != store.FateThere {
		t.Errorf("%+v", back.Lines)
	}
	for _, l := range back.Lines {
		if l.Fate == store.FateRenamed && strings.HasPrefix(l.What, "run ") {
			if rec, err := a.GetRun(t.Context(), l.As); err != nil || rec.Readings != 2000 || !strings.Contains(l.Why, "damaged") {
				t.Errorf("%+v: %+v %v", l, rec, err)
			}
		}
	}
}

// TestBundleIsAllOrNothing: an import that fails, at whichever transaction, leaves
// nothing; the next one brings everything.
func TestBundleIsAllOrNothing(t *testing.T) {
	t.Parallel()
	a := storetest.New(t)
	stockLab(t, a)
	for i := range 3 {
		stockRun(t, a, "run-"+itoa(i), 30_000, func(r *procedure.Record) { r.Started = start.Add(time.Duration(i) * time.Hour) })
	}
	file, _ := exported(t, a, store.Choice{All: true})
	path := storetest.Path(t)
	b := storetest.Open(t, path, store.Options{})
	before := contentOf(t, b)
	for n := range 4 {
		// A trigger refuses the import at one of its transactions: while runs are
		// stored, and where they arrive.
		when := map[bool]string{true: "AFTER DELETE ON deleting", false: fmt.Sprintf("AFTER INSERT ON chunk_data WHEN NEW.chunk > %d", 10+30*n)}[n == 3]
		storetest.Exec(t, b, "CREATE TRIGGER refuse "+when+" BEGIN SELECT raise(ABORT, 'refused'); END")
		_, err := b.Import(t.Context(), bytes.NewReader(file), "Bob", store.ImportOptions{})
		storetest.Exec(t, b, "DROP TRIGGER refuse")
		if n == 3 {
			// The mark could not be taken off, so nothing could be deleted either.
			must(t, b.FinishDeletions(t.Context()))
		}
		if err == nil {
			t.Fatal("it was not refused")
		}
		if d := cmp.Diff(before, contentOf(t, b)); d != "" {
			t.Fatalf("something is left: %s", d)
		}
		for _, table := range []string{"runs", "chunks", "results", "snapshots", "origins", "units", "deleting", "device_revisions", "traffic"} {
			if n := count(t, path, table); n != 0 {
				t.Errorf("%d rows are left in %s", n, table)
			}
		}
		sound(t, b)
	}
	if got := imported(t, b, file); got.Runs != 3 {
		t.Errorf("%+v", got)
	}
}

func count(t testing.TB, path, table string) (n int) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro")
	must(t, err)
	defer db.Close()
	must(t, db.QueryRow("SELECT count(*) FROM "+table).Scan(&n))
	return n
}

// TestBundleOfRandomLabs: labs of random documents and runs, whose names and
// numbers collide, are one lab after each was brought to the other: nothing is
// lost, nothing is there twice, and everything is sound.
func TestBundleOfRandomLabs(t *testing.T) {
	t.Parallel()
	for n := range *labs {
		random := rand.New(rand.NewPCG(*labSeed, uint64(n)))
		stores := []*store.Store{storetest.New(t), storetest.New(t)}
		for i, s := range stores {
			randomLab(t, random, s, fmt.Sprint("lab ", i))
		}
		for range 2 {
			for i, s := range stores {
				file, _ := exported(t, s, store.Choice{All: true})
				imported(t, stores[1-i], file)
			}
		}
		if d := cmp.Diff(sums(t, stores[0]), sums(t, stores[1])); d != "" {
			t.Fatalf("labs %d of seed %d: %s", n, *labSeed, d)
		}
		for i, s := range stores {
			file, _ := exported(t, s, store.Choice{All: true})
			if got := imported(t, stores[1-i], file); got.Runs > 0 {
				t.Fatalf("labs %d of seed %d: runs came again: %+v", n, *labSeed, got.Lines)
			}
		}
	}
}

var (
	labs    = flag.Int("labs", 3, "pairs of random labs that TestBundleOfRandomLabs brings together")
	labSeed = flag.Uint64("lab-seed", 1, "seed of those labs")
)

// randomLab stores random documents and runs under few names.
func randomLab(t testing.TB, random *rand.Rand, s *store.Store, by string) {
	t.Helper()
	one := func(of ...string) string { return of[random.IntN(len(of))] }
	_, err := s.SaveBench(t.Context(), labBench("b-one"), 0, by)
	must(t, err)
	for _, key := range []string{"r-one", "r-two"} {
		latest := 0
		for range 1 + random.IntN(3) {
			d := device(key)
			d.Description = one("a", "b", "c")
			latest, err = s.SaveDevice(t.Context(), d, latest, by)
			must(t, err)
		}
		p := proc("check-"+key, key)
		p.Notes = one("", "x")
		_, err := s.SaveProcedure(t.Context(), p, 0, by)
		must(t, err)
	}
	for i := range random.IntN(5) {
		key := one("r-one", "r-two")
		stockRun(t, s, fmt.Sprint("run-", i), []int{0, 1, 1500}[random.IntN(3)], func(r *procedure.Record) {
			d, err := s.GetDevice(t.Context(), key, 0)
			must(t, err)
			p, err := s.GetProcedure(t.Context(), "check-"+key, 0)
			must(t, err)
			r.Device, r.DeviceRev, r.Procedure, r.ProcRev = d.Body, d.Rev, p.Body, p.Rev
			r.PinMap.Device = key
			r.Started = start.Add(time.Duration(random.IntN(3))*time.Hour + time.Duration(i))
			r.Unit = dut.Unit{Serial: one("", "1", "2"), Lot: one("", "L1", "L2")}
		})
	}
}

// sums are the contents of the runs of a store, without numbers and names: start,
// unit, description of the device, readings, results.
func sums(t testing.TB, s *store.Store) []string {
	t.Helper()
	var out []string
	must(t, s.EachRun(t.Context(), store.Filter{}, func(r *store.RunRow) error {
		rec, err := s.GetRun(t.Context(), r.ID)
		if err != nil {
			return err
		}
		results, err := s.Results(t.Context(), r.ID)
		out = append(out, fmt.Sprint(r.Started, r.Unit, rec.Device.Description, rec.Procedure.Notes, r.Readings, len(results)))
		return err
	}))
	slices.Sort(out)
	return out
}

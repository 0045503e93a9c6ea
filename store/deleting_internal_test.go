package store

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/pressly/goose/v3"

	"ohmkeep/migrations"
	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// TestRunBeingDeletedTakesNothing: once a deletion has begun, what is asked of
// the run finds none, and what is written to it is refused instead of being
// lost with it.
func TestRunBeingDeletedTakesNothing(t *testing.T) {
	t.Parallel()
	s, ctx := open(t, filepath.Join(t.TempDir(), "x.db")), t.Context()
	t.Cleanup(func() { _ = s.Close() })
	seq := longRun(t, s, "long")
	secret, _, err := s.NewShare(ctx, "long", "somebody", time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	calls := map[string]func() error{
		"head":         func() error { _, err := s.GetRun(ctx, "long"); return err },
		"note":         func() error { return s.SetNote(ctx, "long", "kept?") },
		"picture":      func() error { _, err := s.Picture(ctx, "long", 0); return err },
		"keep picture": func() error { return s.KeepPicture(ctx, "long", 0, 1, []byte("x")) },
		"new share":    func() error { _, _, err := s.NewShare(ctx, "long", "somebody", time.Time{}); return err },
		"shared run":   func() error { _, err := s.Shared(ctx, secret); return err },
		"save traffic": func() error { return s.SaveTraffic(ctx, "long", cardinfo.Traffic{}) },
	}
	for name, call := range calls {
		if err := call(); err != nil {
			t.Errorf("%s, before: %v", name, err)
		}
	}
	if _, err := s.markDeleting(ctx, "long"); err != nil {
		t.Fatal(err)
	}
	for name, call := range calls {
		want := NotFound
		if name == "shared run" {
			want = Denied // as of any link that leads nowhere
		}
		if err := call(); CodeOf(err) != want {
			t.Errorf("%s of a run that is being deleted: %v", name, err)
		}
	}
	if list, err := s.Results(ctx, "long"); err != nil || len(list) != 0 {
		t.Errorf("%d results of it, %v", len(list), err)
	}
	if list, err := s.ListShares(ctx, RunShare, "long"); err != nil || len(list) != 0 {
		t.Errorf("%d links to it, %v", len(list), err)
	}
	if err := s.deleteMarked(ctx, seq); err != nil {
		t.Fatal(err)
	}
	if n := leftBehind(t, s); n != 0 {
		t.Errorf("%d rows are left", n)
	}
}

// TestRunBeingDeletedIsNotCounted: half way through a deletion every count and
// list is what it will be at its end.
func TestRunBeingDeletedIsNotCounted(t *testing.T) {
	s, ctx := open(t, filepath.Join(t.TempDir(), "x.db")), t.Context()
	t.Cleanup(func() { _ = s.Close() })
	for i, r := range []struct {
		id, lot, serial string
		outcome         derive.Outcome
	}{{"kept", "first", "u1", derive.Fail}, {"gone", "first", "u1", derive.Pass}, {"gone too", "second", "u2", derive.Pass}} {
		rec := &procedure.Record{ID: r.id, Device: dut.Device{Key: "d", Name: "Part"}, Procedure: procedure.Procedure{Key: "p", Name: "Check"},
			Unit: dut.Unit{Serial: r.serial, Lot: r.lot}, Note: "note of " + r.id, Started: time.Unix(int64(10*i), 0)}
		for _, err := range []error{
			s.Begin(ctx, rec),
			s.Append(ctx, r.id, procedure.Batch{Readings: []procedure.MeasurementReadings{{Readings: make([]bench.Reading, 10)}}}),
			s.SaveTraffic(ctx, r.id, cardinfo.Traffic{}),
			s.Finish(ctx, r.id, procedure.Ending{Status: procedure.Done, Outcome: r.outcome, Ended: time.Unix(int64(10*i+1), 0)}),
		} {
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	seen := func() string { return everyCount(t, s, "gone", "gone too") }
	before := seen()
	var marked []int64
	for _, id := range []string{"gone", "gone too"} {
		seq, err := s.markDeleting(ctx, id)
		if err != nil {
			t.Fatal(err)
		}
		marked = append(marked, seq)
	}
	half := seen()
	for _, seq := range marked {
		if err := s.deleteMarked(ctx, seq); err != nil {
			t.Fatal(err)
		}
	}
	if after := seen(); half == before || half != after {
		t.Errorf("before:\n%s\nhalf way:\n%s\nafter:\n%s", before, half, after)
	}
	o, err := s.GetOverview(ctx, 9)
	if err != nil || o.Runs != 1 || o.Readings != 10 || o.Outcomes[derive.Fail] != 1 || o.Outcomes[derive.Pass] != 0 || len(o.Last) != 1 {
		t.Errorf("%+v, %v", o, err)
	}
}

// everyCount is everything that counts or lists runs, as text.
func everyCount(t *testing.T, s *Store, ids ...string) string {
	t.Helper()
	var out strings.Builder
	say := func(what string, v any, err error) {
		if err != nil {
			t.Errorf("%s: %v", what, err)
		}
		fmt.Fprintf(&out, "%s: %+v\n", what, v)
	}
	ctx := t.Context()
	o, err := s.GetOverview(ctx, 9)
	say("overview", *o, err)
	for name, f := range map[string]Filter{"all": {}, "device": {Device: "d"}, "lot": {Lot: "first"}, "outcome": {Outcome: derive.Pass},
		"text": {Text: "note of"}, "letter": {Text: "e"}, "unit": {Serial: "u1"}} {
		for _, most := range []int{1, 9} { // with a total that is counted, and with one that is listed
			p, err := s.ListRuns(ctx, f, "", most)
			say(name, *p, err)
		}
	}
	units, _, err := s.UnitPage(ctx, "", "", 9)
	say("units", units, err)
	lots, err := s.NewestLots(ctx, 9)
	say("lots", lots, err)
	uses, err := s.DeviceUses(ctx, []string{"d"})
	say("uses", uses, err)
	for _, id := range ids {
		there, err := s.HasTraffic(ctx, id)
		say("traffic of "+id, there, err)
		_, err = s.Traffic(ctx, id)
		say("traffic", CodeOf(err), nil)
	}
	lines := strings.Split(out.String(), "\n")
	slices.Sort(lines)
	return strings.Join(lines, "\n")
}

// TestHalfDeletedAtMigration: a deletion that was interrupted under a schema
// that counted such runs counts no more after the migration.
func TestHalfDeletedAtMigration(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.db")
	db, err := openPool(t.Context(), path, writerPragmas, 1, readWrite)
	if err != nil {
		t.Fatal(err)
	}
	p, err := goose.NewProvider(goose.DialectSQLite3, db, migrations.FS, goose.WithDisableGlobalRegistry(true))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.UpTo(t.Context(), 12); err != nil {
		t.Fatal(err)
	}
	for _, q := range []string{
		`INSERT INTO snapshots (id, hash, body) VALUES (1, x'00', '{}')`,
		`INSERT INTO runs (seq, id, device, device_name, procedure, procedure_name, bench, serial, lot, operator, manual, rehearsal, note, status,
			outcome, reason, started, readings, identity, device_body, procedure_body, pin_map_body, bench_body)
		SELECT value, 'run ' || value, 'd', 'Part', 'p', 'Check', 'b', 'u' || value, 'lot', 'o', 0, 0, '', 'done', 'pass', '', value, 7, '{}', 1, 1, 1, 1
			FROM json_each('[1, 2, 3]')`,
		`INSERT INTO units (device, serial, lot, first) SELECT device, serial, lot, started FROM runs`,
		`INSERT INTO deleting (run) VALUES (3)`,
	} {
		if _, err := db.Exec(q); err != nil {
			t.Fatal(err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	s, ctx := open(t, path), t.Context()
	t.Cleanup(func() { _ = s.Close() })
	o, err := s.GetOverview(ctx, 9)
	if err != nil || o.Runs != 2 || o.Readings != 14 || len(o.Last) != 2 {
		t.Errorf("%+v, %v", o, err)
	}
	lots, err := s.NewestLots(ctx, 9)
	if err != nil || len(lots) != 1 || lots[0].Units != 2 || lots[0].Passed != 2 {
		t.Errorf("%+v, %v", lots, err)
	}
	if err := s.FinishDeletions(ctx); err != nil {
		t.Fatal(err)
	}
	if o, err = s.GetOverview(ctx, 9); err != nil || o.Runs != 2 || o.Readings != 14 {
		t.Errorf("after the deletion %+v, %v", o, err)
	}
}

// TestPendingEndings: what is remembered of an end that could not be stored is
// an interruption, the latest for each run, and is forgotten when it is written.
func TestPendingEndings(t *testing.T) {
	t.Parallel()
	s, ctx := open(t, filepath.Join(t.TempDir(), "x.db")), t.Context()
	t.Cleanup(func() { _ = s.Close() })
	for _, id := range []string{"a", "b", "c"} {
		r := &procedure.Record{ID: id, Device: dut.Device{Key: "d"}, Procedure: procedure.Procedure{Key: "p"}, Started: time.Unix(1, 0)}
		if err := s.Begin(ctx, r); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Finish(ctx, "c", procedure.Ending{Status: procedure.Done, Outcome: derive.Pass, Ended: time.Unix(2, 0)}); err != nil {
		t.Fatal(err)
	}
	for i, id := range []string{"a", "b", "a", "c", "nobody"} {
		s.pending.add(id, procedure.Ending{Status: procedure.Done, Outcome: derive.Pass, Ended: time.Unix(int64(10+i), 0)})
	}
	if e, ok := s.pending.of("a"); !ok || e.Status != procedure.Interrupted || e.Reason == "" || e.Ended != time.Unix(12, 0) {
		t.Errorf("%+v, %v", e, ok)
	}
	refused := errorf(Invalid, "refused")
	if err := s.update(ctx, "test", func(*tx) error { return refused }); err != refused {
		t.Error(err)
	}
	if _, ok := s.pending.of("b"); !ok {
		t.Error("an end is forgotten with a transaction that was rolled back")
	}
	if err := s.Log(ctx, Event{By: "x", Action: "x", Subject: "x"}); err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"a", "b", "c", "nobody"} {
		if _, ok := s.pending.of(id); ok {
			t.Errorf("the end of %s is pending still", id)
		}
	}
	for id, want := range map[string]procedure.Status{"a": procedure.Interrupted, "b": procedure.Interrupted, "c": procedure.Done} {
		if r, err := s.GetRun(ctx, id); err != nil || r.Status != want || r.Outcome != derive.Pass {
			t.Errorf("%s: %+v, %v", id, r, err)
		}
	}
}

// TestPoolOfContext: a context reads from the pool it names last, and from that
// of pages where it names none; every pool has a name and connections.
func TestPoolOfContext(t *testing.T) {
	t.Parallel()
	if p := PoolOf(context.Background()); p != Pages {
		t.Error(p)
	}
	names := map[string]bool{}
	for p := range pools {
		ctx := From(From(t.Context(), Reports), p)
		if PoolOf(ctx) != p || poolSizes[p] < 2 || names[p.String()] || p.String() == "" {
			t.Errorf("%v: %v, %d connections", p, PoolOf(ctx), poolSizes[p])
		}
		names[p.String()] = true
	}
}

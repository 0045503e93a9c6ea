package store_test

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"database/sql"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"ohmkeep/server/live"
	"ohmkeep/server/liverun"
	"ohmkeep/server/lot"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// restarted is when the old program found the run that a kill had cut short.
var restarted = time.Date(2026, 11, 30, 13, 12, 20, 148268060, time.UTC)

// oldPath unpacks the database of testdata/schema-5 and returns its path.
func oldPath(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ohmkeep.db")
	must(t, os.WriteFile(path, unpacked(t, "ohmkeep.db.gz"), 0o600))
	return path
}

func unpacked(t *testing.T, name string) []byte {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", "schema-5", name))
	must(t, err)
	defer f.Close()
	z, err := gzip.NewReader(f)
	must(t, err)
	body, err := io.ReadAll(z)
	must(t, err)
	return body
}

// oldAnswers are the files that the old program answered with, by name.
func oldAnswers(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{}
	for r := tar.NewReader(bytes.NewReader(unpacked(t, "answers.tar.gz"))); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			return out
		}
		must(t, err)
		body, err := io.ReadAll(r)
		must(t, err)
		out[h.Name] = string(body)
	}
}

// openOld migrates the old database through all migrations, at the time of the
// old program's restart.
func openOld(t *testing.T) *store.Store {
	t.Helper()
	path := oldPath(t)
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro")
	must(t, err)
	var version, running int
	must(t, db.QueryRow("SELECT (SELECT max(version_id) FROM goose_db_version), (SELECT count(*) FROM runs WHERE status = 'running')").Scan(&version, &running))
	must(t, db.Close())
	if version != 5 || running != 1 {
		t.Fatalf("the old database has version %d and %d runs at work", version, running)
	}
	s := storetest.Open(t, path, store.Options{Now: func() time.Time { return restarted }})
	if n, err := s.MarkInterrupted(t.Context()); n != 1 || err != nil {
		t.Fatalf("%d runs were cut short, %v", n, err)
	}
	return s
}

// TestOldDatabaseIsTheSame: a database of a program long before this one says
// after all migrations what it said to that program, to the last digit: the
// history and its order, results, readings and units. Readings are written as
// the shortest text that is read back as the same bits.
func TestOldDatabaseIsTheSame(t *testing.T) {
	s, ctx, answers := openOld(t), t.Context(), oldAnswers(t)
	same := func(name, got string) {
		t.Helper()
		want, there := answers[name]
		if !there {
			t.Errorf("the old program gave no %s", name)
			return
		}
		delete(answers, name)
		if got != want {
			t.Errorf("%s: %s", name, cmp.Diff(strings.Split(want, "\r\n"), strings.Split(got, "\r\n")))
		}
	}
	var runs bytes.Buffer
	history := store.NewHistoryCSV(&runs)
	must(t, s.EachRun(ctx, store.Filter{}, history.Row))
	must(t, history.Close())
	// Where runs are from, and what stands behind them, was told by no program then.
	told := strings.ReplaceAll(strings.Replace(runs.String(), ",brought from,run there,file (SHA-256),bench check\r\n", "\r\n", 1), ",,,,\r\n", "\r\n")
	same("runs.csv", told)

	var wide bytes.Buffer
	var table *store.WideCSV
	must(t, s.Wide(ctx, store.Filter{}, func(c []lot.Column) error {
		table = store.NewWideCSV(&wide, c)
		return nil
	}, func(r *store.WideRow) error { return table.Row(r) }))
	must(t, table.Close())
	oldWide := answers["wide.csv"]
	delete(answers, "wide.csv")
	sameColumns(t, "wide.csv", oldWide, wide.String())
	withoutIntervals(t, oldWide, wide.String())

	list, err := s.ListRuns(ctx, store.Filter{}, "", 50)
	must(t, err)
	if len(list.Runs) != 5 || list.Total != 5 {
		t.Fatalf("%d runs of %d", len(list.Runs), list.Total)
	}
	rows, err := csv.NewReader(strings.NewReader(runs.String())).ReadAll()
	must(t, err)
	for i, r := range list.Runs {
		if rows[i+1][0] != r.ID {
			t.Errorf("run %s comes as number %d", r.ID, i)
		}
		results, readings := csvOfRun(t, s, r.ID)
		want := answers[r.ID+".results.csv"]
		delete(answers, r.ID+".results.csv")
		sameColumns(t, r.ID, want, results)
		same(r.ID+".readings.csv", readings)
		delete(answers, r.ID+".plots.json") // see TestOldPicturesAreTheSame
	}
	var units struct{ Items []store.UnitRow }
	must(t, json.Unmarshal([]byte(answers["units.json"]), &units))
	delete(answers, "units.json")
	got, _, err := s.UnitPage(ctx, "", "", 100)
	if err != nil || len(got) != 27 || !cmp.Equal(got, units.Items) {
		t.Errorf("%v: %s", err, cmp.Diff(units.Items, got))
	}
	for name := range answers {
		t.Errorf("%s was not looked at", name)
	}
}

// csvOfRun is a run's results and its readings as files.
func csvOfRun(t *testing.T, s *store.Store, id string) (results, readings string) {
	t.Helper()
	rec, err := s.GetRun(t.Context(), id)
	must(t, err)
	list, err := s.Results(t.Context(), id)
	must(t, err)
	var a, b bytes.Buffer
	one, all := store.NewResultsCSV(&a, "", nil), store.NewReadingsCSV(&b, rec, nil)
	for i := range list {
		must(t, one.Row(rec, &list[i]))
	}
	must(t, one.Close())
	must(t, s.Chunks(t.Context(), id, store.AllMeasurements, 0, all.Chunk))
	must(t, all.Close())
	return a.String(), b.String()
}

// TestOldPicturesAreTheSame: the curves of old runs, of which no picture is
// kept, are those that the old program drew.
func TestOldPicturesAreTheSame(t *testing.T) {
	s, quiet := openOld(t), slog.New(slog.DiscardHandler)
	runs := liverun.New(live.NewHub(quiet, nil), s, quiet)
	drawn := 0
	for name, body := range oldAnswers(t) {
		id, plots := strings.CutSuffix(name, ".plots.json")
		if !plots {
			continue
		}
		rec, err := s.GetRun(t.Context(), id)
		must(t, err)
		var old []oldPlot
		must(t, json.Unmarshal([]byte(body), &old))
		if len(old) != len(rec.Procedure.Measurements) {
			t.Fatalf("%s: %d plots of %d measurements", id, len(old), len(rec.Procedure.Measurements))
		}
		for m := range old {
			p, err := runs.Picture(t.Context(), rec, m)
			must(t, err)
			var now []oldSeries
			for _, x := range p.Series(&rec.Device) {
				now = append(now, oldSeries{x.Label, figures(x.X), figures(x.Y), x.Hollow, x.Line})
				drawn += len(x.X)
			}
			if diff := cmp.Diff(old[m].Series, now, cmpopts.EquateNaNs(), cmpopts.EquateEmpty()); diff != "" {
				t.Errorf("%s, %s: %s", id, old[m].Title, diff)
			}
		}
	}
	if drawn < 400 {
		t.Errorf("only %d points were compared", drawn)
	}
}

// oldPlot is a plot as the old program's API gave it.
type oldPlot struct {
	Title  string
	Series []oldSeries
}

type oldSeries struct {
	Label  string
	X, Y   figures
	Hollow []bool
	Line   bool
}

// figures are numbers in JSON, null for one that is none.
type figures []float64

func (f *figures) UnmarshalJSON(text []byte) error {
	var list []*float64
	if err := json.Unmarshal(text, &list); err != nil {
		return err
	}
	for _, v := range list {
		if v == nil {
			*f = append(*f, math.NaN())
			continue
		}
		*f = append(*f, *v)
	}
	return nil
}

// TestOldDatabaseGoesOn: after its migration an old database is sound, its
// counts are those of its rows, and it takes what a run writes.
func TestOldDatabaseGoesOn(t *testing.T) {
	s, ctx := openOld(t), t.Context()
	must(t, s.Integrity(ctx))
	if want, got, err := s.CountAgain(ctx); err != nil || want != got {
		t.Errorf("%v; counted:\n%s\nkept:\n%s", err, want, got)
	}
	o, err := s.GetOverview(ctx, 3)
	must(t, err)
	if o.Runs != 5 || o.Readings != 7109 || o.Units != 27 {
		t.Errorf("%+v", o)
	}
	for text, want := range map[string]int{"first look": 1, "ML-07": 1, "OLD-0": 4} {
		if p, err := s.ListRuns(ctx, store.Filter{Text: text}, "", 10); err != nil || len(p.Runs) != want {
			t.Errorf("%q is found in %d runs, %v", text, len(p.Runs), err)
		}
	}
	events, err := s.Events(ctx, "", 0, 100)
	if err != nil || len(events) != 37 {
		t.Errorf("%d lines in the log, %v", len(events), err)
	}
	old, err := s.GetRun(ctx, o.Last[2].ID)
	must(t, err)
	again := *old
	again.ID, again.Status, again.Started = "again", procedure.Running, restarted
	begin(t, s, &again)
	appendAll(t, s, "again", batch(0, readings(0, 3000, 2)))
	must(t, s.Finish(ctx, "again", procedure.Ending{Status: procedure.Done, Ended: restarted.Add(time.Second)}))
	if got := readAll(t, s, "again", 0, 0); len(got) != 3000 {
		t.Errorf("%d readings", len(got))
	}
	for _, r := range o.Last {
		must(t, s.DeleteRun(ctx, r.ID))
	}
	if want, got, err := s.CountAgain(ctx); err != nil || want != got {
		t.Errorf("%v; counted:\n%s\nkept:\n%s", err, want, got)
	}
}

// sameColumns compares every column that the old program wrote of a run's
// results. Since then there are more; U has another name, and the note says that
// it was stated by another rule.
// withoutIntervals checks that an old wide table has its columns in their places,
// with nothing between them, and no interval of any value: what was kept was k = 2
// of a reading.
func withoutIntervals(t *testing.T, want, got string) {
	t.Helper()
	old, err := csv.NewReader(strings.NewReader(want)).ReadAll()
	must(t, err)
	now, err := csv.NewReader(strings.NewReader(got)).ReadAll()
	must(t, err)
	for i, row := range now { // what stands behind a run comes last
		now[i] = row[:len(row)-1]
	}
	n, judged := len(old[0]), 0
	if !slices.Equal(now[0][:n], old[0]) || (len(now[0])-n)%3 != 0 || len(now[0]) == n {
		t.Fatalf("the columns are %q, were %q", now[0], old[0])
	}
	for _, row := range now[1:] {
		for i := n; i < len(row); i += 3 {
			if row[i] != "" || row[i+1] != "" {
				t.Errorf("%s: %q to %q", now[0][i], row[i], row[i+1])
			}
			if row[i+2] != "" {
				judged++
			}
		}
	}
	if judged == 0 {
		t.Error("nothing has an outcome")
	}
}

func sameColumns(t *testing.T, run, want, got string) {
	t.Helper()
	old, err := csv.NewReader(strings.NewReader(want)).ReadAll()
	must(t, err)
	now, err := csv.NewReader(strings.NewReader(got)).ReadAll()
	must(t, err)
	if len(old) < 2 || len(now) != len(old) {
		t.Fatalf("%s: %d rows of results, were %d", run, len(now), len(old))
	}
	for i, name := range old[0] {
		j := slices.Index(now[0], strings.Replace(name, "(k=2)", "(95 %)", 1))
		if j < 0 {
			t.Fatalf("%s: there is no column %q any more", run, name)
		}
		for k := range old[1:] {
			a, b := old[k+1][i], now[k+1][j]
			if name == "note" && strings.Contains(b, "k = 2 of a reading") && strings.Contains(b, a) {
				continue
			}
			if a != b {
				t.Errorf("%s, row %d, %s: %q, was %q", run, k+1, name, b, a)
			}
		}
	}
}

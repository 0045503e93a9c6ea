package store_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
	"ohmkeep/server/lot"
	"ohmkeep/server/procedure"
	"ohmkeep/server/standing"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// noteCell exports one run with that note, made here, and returns the note's cell
// as it is written.
func noteCell(t testing.TB, note string) (raw string, file string) {
	t.Helper()
	var b bytes.Buffer
	e := store.NewHistoryCSV(&b)
	if err := e.Row(&store.RunRow{Note: note}); err != nil {
		t.Fatal(err)
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	_, record, _ := strings.Cut(b.String(), "\r\n")
	const before = ",,,,,,,,,,,,,,no,no,0,"
	if !strings.HasPrefix(record, before) || !strings.HasSuffix(record, "\r\n") {
		t.Fatalf("record %q", record)
	}
	return strings.TrimSuffix(strings.TrimPrefix(record, before), ",,,,\r\n"), b.String()
}

// The cases are those of testdata/csv-and-formula-injection.json, which names
// its sources: RFC 4180 (from memory) and OWASP ASVS 5.0, 1.2.10 (checked).
func TestTextCellsAgainstReference(t *testing.T) {
	t.Parallel()
	body, err := os.ReadFile("testdata/csv-and-formula-injection.json")
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		Cases []struct{ Value, CSV string }
	}
	if err := json.Unmarshal(body, &ref); err != nil || len(ref.Cases) < 7 {
		t.Fatal(err, len(ref.Cases))
	}
	for _, c := range ref.Cases {
		if got, _ := noteCell(t, c.Value); got != c.CSV {
			t.Errorf("%q is written %q, want %q", c.Value, got, c.CSV)
		}
	}
	for _, first := range []string{"=", "+", "-", "@", "\t", "\x00", "\r", "\n", "＝", "＋", "－", "＠"} {
		if got, _ := noteCell(t, first+"1"); !strings.HasPrefix(strings.TrimPrefix(got, `"`), "'") {
			t.Errorf("%q is written %q", first+"1", got)
		}
	}
}

func FuzzTextCell(f *testing.F) {
	for _, s := range []string{"", "a,b", "=1", "\"", "\r\n", "\xff", "'x"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		_, file := noteCell(t, s)
		records, err := csv.NewReader(strings.NewReader(file)).ReadAll()
		if err != nil || len(records) != 2 {
			t.Fatalf("%q: %v", file, err)
		}
		got := records[1][len(records[1])-5]        // behind it is where the run was brought from and its badge
		want := strings.ReplaceAll(s, "\r\n", "\n") // as Go's reader gives it back
		if strings.TrimPrefix(got, "'") != strings.TrimPrefix(want, "'") {
			t.Fatalf("%q comes back as %q", s, got)
		}
		if got != "" && strings.ContainsRune("=+-@\t\x00\r\n", rune(got[0])) {
			t.Fatalf("%q is live", got)
		}
	})
}

func TestReadingsExport(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	r := record("run", "u1")
	r.Procedure.Measurements[0].Name = "=cmd, one"
	begin(t, s, r)
	rs := readings(0, 5000, 2)
	rs[1] = bench.Reading{T: -1_500_000_000, Set: math.Inf(-1), V: math.NaN(), I: -1e-300, Pin: 99, Channel: 3,
		Flags: bench.InCompliance | bench.OverRange}
	appendAll(t, s, "run", batch(0, rs))
	appendAll(t, s, "run", batch(1, readings(0, 3, 1)))
	var b bytes.Buffer
	if err := s.ExportReadings(ctx, &b, "run", store.AllMeasurements); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(b.String(), "\r\n"); n != 5004 || strings.Count(b.String(), "\n") != n {
		t.Errorf("%d lines", n)
	}
	records, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(records[2], "|"); got != "1|'=cmd, one|99||3|0|0|-1.5|-Inf||-1e-300|in compliance; over range|yes" {
		t.Errorf("odd reading: %s", got)
	}
	for i, want := range rs[2:] {
		got := records[3+i]
		for column, v := range map[int]float64{7: float64(want.T) / 1e9, 8: want.Set, 9: want.V, 10: want.I} {
			if x, err := strconv.ParseFloat(got[column], 64); err != nil || x != v {
				t.Fatalf("reading %d, %s: %s instead of %v", i+2, records[0][column], got[column], v)
			}
		}
	}
	if got := strings.Join(records[5001][:7], "|"); got != "2|Watch|1|A|1|0|0" {
		t.Errorf("second measurement: %s", got)
	}
	wantCode(t, s.ExportReadings(ctx, &b, "nobody", 0), store.NotFound)
}

// brokenPipe fails after some bytes.
type brokenPipe struct{ left int }

var errPipe = errors.New("broken pipe")

func (w *brokenPipe) Write(p []byte) (int, error) {
	if w.left -= len(p); w.left < 0 {
		return 0, errPipe
	}
	return len(p), nil
}

func TestExportsReturnTheWritersError(t *testing.T) {
	t.Parallel()
	s := filled(t, 60_000)
	for _, left := range []int{0, 100, 300_000} {
		if err := s.ExportReadings(t.Context(), &brokenPipe{left}, "run", 0); !errors.Is(err, errPipe) {
			t.Errorf("after %d bytes: %v", left, err)
		}
	}
	e := store.NewHistoryCSV(&brokenPipe{})
	if err := errors.Join(e.Row(&store.RunRow{}), e.Close()); !errors.Is(err, errPipe) {
		t.Error(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := s.ExportReadings(ctx, &brokenPipe{1 << 30}, "run", 0); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

func TestResultsAndWideCSV(t *testing.T) {
	t.Parallel()
	r := record("run", "+u1")
	var b bytes.Buffer
	e := store.NewResultsCSV(&b, "", nil)
	x := result(0, "r", 2, -5)
	x.Flags, x.Condition = bench.NotSettled, "VCC 4.5 V"
	if err := errors.Join(e.Row(r, &x), e.Close()); err != nil {
		t.Fatal(err)
	}
	_, row, _ := strings.Cut(b.String(), "\r\n")
	// From before budgets were kept: neither factor nor interval, and it says so.
	if want := "run,'+u1,L1,1,Resistance,r,Name of r,2,B,,VCC 4.5 V,-5,Ω,0.01,,,,-1.5,,guard band w = U,,,pass,not settled,," +
		"\"U is k = 2 of a reading, made before budgets were kept\",yes,,,,,\r\n"; row != want {
		t.Errorf("got  %s want %s", row, want)
	}
	b.Reset()
	r.Bench.Paths = []bench.Path{{ID: 7, Channel: 1, Contact: 5, Address: "A:7"}}
	e = store.NewResultsCSV(&b, standing.Checked, procedure.Served{{Pin: 2}: {{Channel: 1, Path: 7, Contact: 5}}})
	within, band := 0.975, 0.01
	x.K, x.From, x.To, x.Band, x.Conformity, x.Note = 1.65, -5.01, -4.99, &band, &within, "as it is"
	// Whole cycles, so no hum; temperature is among the contributions.
	r.Bench.LineHz, r.Procedure.Measurements[0].Aperture = 50, procedure.Aperture{Cycles: 1}
	uncounted := "what is left of settling after the time given to it; thermal voltages of contacts and switches; what begins only above a level held beside it: levels are moved towards zero alone; drift of the bench since its accuracy was stated"
	x.Budget = &procedure.Budget{Lines: []procedure.Line{{Name: "ambient", Class: string(budget.Temperature)}}, Held: []procedure.Held{{Pin: 2, Set: 5, Value: 5.0021, U: 0.0024}}}
	if err := errors.Join(e.Row(r, &x), e.Close()); err != nil {
		t.Fatal(err)
	}
	head, row, _ := strings.Cut(b.String(), "\r\n")
	if want := "run,'+u1,L1,1,Resistance,r,Name of r,2,B,,VCC 4.5 V,-5,Ω,0.01,1.65,-5.01,-4.99,-1.5,,guard band w = U,0.01,0.975,pass,not settled," +
		"2 B 5.0021 V ± 0.0024 V,as it is,yes," + uncounted + ",1,A:7,5,checked\r\n"; row != want {
		t.Errorf("got  %s want %s", row, want)
	}
	if n, cells := strings.Count(head, ","), strings.Count(row, ","); n != cells {
		t.Errorf("%d headings for %d cells", n+1, cells+1)
	}

	// A bound: the end that is open is an empty cell.
	b.Reset()
	e = store.NewResultsCSV(&b, "", nil)
	bound := x
	bound.U, bound.K, bound.From, bound.To = 0, 0, -5, math.NaN()
	if err := errors.Join(e.Row(r, &bound), e.Close()); err != nil || !strings.Contains(b.String(), ",-5,Ω,0,,-5,,-1.5,") {
		t.Errorf("%v, got %s", err, b.String())
	}

	b.Reset()
	w := store.NewWideCSV(&b, []lot.Column{
		{Identity: lot.Identity{Procedure: "p", Pin: 3, Unit: "A"}, Place: 1, MeasurementName: "Leakage", Name: "High"},
		{Identity: lot.Identity{Procedure: "p"}, Name: "=evil"}})
	if err := errors.Join(w.Row(&store.WideRow{Run: store.RunRow{ID: "run", Rehearsal: true, Badge: standing.Doubtful},
		Values: []float64{math.NaN(), x.Value}, From: []float64{math.NaN(), -5.01}, To: []float64{math.NaN(), -4.99},
		Outcomes: []derive.Outcome{"", "not to be trusted"}}), w.Close()); err != nil {
		t.Fatal(err)
	}
	head, row, _ = strings.Cut(b.String(), "\r\n")
	if !strings.HasSuffix(head, ",rehearsal,2 Leakage: High pin 3 (A),1: =evil,"+
		"2 Leakage: High pin 3 (A) from,2 Leakage: High pin 3 (A) to,2 Leakage: High pin 3 (A) outcome,1: =evil from,1: =evil to,1: =evil outcome,bench check") {
		t.Errorf("header %s", head)
	}
	if row != "run,,,,,,,,,,,yes,,-5,,,,-5.01,-4.99,not to be trusted,doubtful\r\n" {
		t.Errorf("row %q", row)
	}
}

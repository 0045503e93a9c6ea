package store

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/bundle"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// smallBundle is a bundle of a run of two measurements and its device.
func smallBundle(t testing.TB) []byte {
	t.Helper()
	s, err := Open(t.Context(), filepath.Join(t.TempDir(), "a.db"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	began := time.Date(2021, 4, 5, 6, 7, 8, 9, time.UTC)
	d := dut.Device{Key: "part", Name: "Part", Package: dut.Package{Family: dut.SingleRow, Pins: 1},
		Pins: []dut.Pin{{Number: 1, Name: "A", Function: dut.Analog, MinV: -5, MaxV: 5, MaxI: 0.1}}}
	_, err = s.SaveDevice(t.Context(), d, 0, "ann")
	r := &procedure.Record{ID: "first", Device: d, DeviceRev: 1, Unit: dut.Unit{Serial: "1", Lot: "L"}, Started: began, Rehearsal: true, Identity: bench.Identity{Rehearsal: true}, Seated: map[string]int{"seed": 1},
		Procedure: procedure.Procedure{Key: "check", Measurements: []procedure.Measurement{{ID: "m", Kind: "watch"}}}}
	low := 1.0
	readings := make([]bench.Reading, 3000)
	for i := range readings {
		readings[i] = bench.Reading{T: int64(i), V: float64(i)}
	}
	err = errors.Join(err, s.Begin(t.Context(), r),
		s.Append(t.Context(), "first", procedure.Batch{Readings: []procedure.MeasurementReadings{{Readings: readings}},
			Results: []procedure.Result{{Key: "r", Name: "Resistance", Value: 4.7, Outcome: "pass", Low: &low}}, Complete: []int{0}}),
		s.Finish(t.Context(), "first", procedure.Ending{Status: procedure.Done, Outcome: "pass", Ended: began.Add(time.Minute)}))
	var out bytes.Buffer
	if err == nil {
		_, err = s.Export(t.Context(), &out, Choice{All: true}, BundleSource{Server: "a", By: "Ann"})
	}
	if err = errors.Join(err, s.Close()); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// TestKilledImportLeavesNothing: what a kill leaves of an import, which is runs
// that are stored and have not arrived, is in no list and no count, is deleted by
// the next start, and does not stand in the way of the next import.
func TestKilledImportLeavesNothing(t *testing.T) {
	t.Parallel()
	file := smallBundle(t)
	path := filepath.Join(t.TempDir(), "b.db")
	open := func() *Store {
		s, err := Open(t.Context(), path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	s := open()
	plan, err := s.planBundle(t.Context(), bytes.NewReader(file), ImportOptions{})
	if err != nil {
		t.Fatal(err)
	}
	work := &taker{ctx: t.Context(), store: s, plan: plan, by: "Bob", at: s.now()}
	if err := errors.Join(work.stage(bytes.NewReader(file)), s.Close()); err != nil { // and the program is gone
		t.Fatal(err)
	}
	s = open()
	seen := 0
	err = s.EachRun(t.Context(), Filter{}, func(*RunRow) error { seen++; return nil })
	want, got, countErr := s.CountAgain(t.Context())
	if err != nil || countErr != nil || seen != 0 || want != got {
		t.Errorf("%d runs, counts %q and %q: %v %v", seen, want, got, err, countErr)
	}
	if _, err := s.Import(t.Context(), bytes.NewReader(file), "Bob", ImportOptions{}); err != nil {
		t.Errorf("before what was left is deleted: %v", err)
	}
	if err := s.FinishDeletions(t.Context()); err != nil {
		t.Fatal(err)
	}
	checked, err := s.Check(t.Context(), nil)
	if err != nil || len(checked.Findings) > 0 || checked.Runs != 1 || checked.Readings != 3000 {
		t.Errorf("%+v %v", checked, err)
	}
	var chunks int
	if err := s.write.QueryRow("SELECT count(*) FROM chunks").Scan(&chunks); err != nil || chunks != 3 {
		t.Errorf("%d chunks: %v", chunks, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// startingReader is a file that another start of the server clears up beside: when
// it is read for the second time, and the first run has begun to arrive.
type startingReader struct {
	*bytes.Reader
	clear  func() bool // whether there was something to clear away
	passes int
}

func (r *startingReader) Seek(offset int64, whence int) (int64, error) {
	r.passes++
	return r.Reader.Seek(offset, whence)
}

func (r *startingReader) Read(b []byte) (int, error) {
	if r.clear != nil && r.passes > 0 && r.clear() {
		r.clear = nil
	}
	return r.Reader.Read(b[:min(len(b), 4096)])
}

// TestStartDuringImportIsTheCause: an import whose runs a start of the server cleared
// away says so, and does not blame the file, which comes in the next time.
func TestStartDuringImportIsTheCause(t *testing.T) {
	t.Parallel()
	var file bytes.Buffer
	{
		s, err := Open(t.Context(), filepath.Join(t.TempDir(), "a.db"), Options{})
		random := rand.New(rand.NewPCG(1, 1))
		for i := range 3 {
			id, began := string(rune('a'+i)), time.Date(2021, 4, 5, 6+i, 7, 8, 9, time.UTC)
			r := &procedure.Record{ID: id, Started: began, Rehearsal: true, Identity: bench.Identity{Rehearsal: true},
				Device:    dut.Device{Key: "part", Name: "Part", Package: dut.Package{Family: dut.SingleRow, Pins: 1}, Pins: []dut.Pin{{Number: 1, Name: "A", Function: dut.Analog, MinV: -5, MaxV: 5, MaxI: 0.1}}},
				Procedure: procedure.Procedure{Key: "check", Measurements: []procedure.Measurement{{ID: "m", Kind: "watch"}}}}
			readings := make([]bench.Reading, 60_000)
			for i := range readings {
				readings[i] = bench.Reading{T: int64(i), V: random.Float64(), I: random.Float64()}
			}
			err = errors.Join(err, s.Begin(t.Context(), r), s.Append(t.Context(), id, procedure.Batch{Readings: []procedure.MeasurementReadings{{Readings: readings}}}),
				s.Finish(t.Context(), id, procedure.Ending{Status: procedure.Done, Outcome: "", Ended: began.Add(time.Minute)}))
		}
		if err == nil {
			_, err = s.Export(t.Context(), &file, Choice{All: true}, BundleSource{Server: "a", By: "Ann"})
		}
		if err = errors.Join(err, s.Close()); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(t.TempDir(), "b.db")
	s, err := Open(t.Context(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	cleared := 0
	r := &startingReader{Reader: bytes.NewReader(file.Bytes()), clear: func() bool {
		var marked int
		if err := s.write.QueryRow("SELECT count(*) FROM deleting").Scan(&marked); err != nil || marked == 0 {
			return false
		}
		cleared = marked
		server, err := Open(t.Context(), path, Options{})
		if err = errors.Join(err, server.FinishDeletions(t.Context()), server.Close()); err != nil {
			t.Error(err)
		}
		return true
	}}
	_, err = s.Import(t.Context(), r, "Bob", ImportOptions{})
	if cleared == 0 || CodeOf(err) != Conflict || !strings.Contains(err.Error(), "the server was started meanwhile") {
		t.Errorf("%d runs cleared away: %v", cleared, err)
	}
	if got, err := s.Import(t.Context(), bytes.NewReader(file.Bytes()), "Bob", ImportOptions{}); err != nil || got.Refused > 0 {
		t.Errorf("the next time: %+v, %v", got, err)
	}
}

// FuzzBundleParts: a bundle whose sums are right, one of whose parts is anything,
// is refused with a sentence or comes in sound; it never does otherwise.
func FuzzBundleParts(f *testing.F) {
	type part struct {
		name string
		body []byte
	}
	var parts []part
	r, err := bundle.NewReader(bytes.NewReader(smallBundle(f)))
	for err == nil {
		var name string
		var body []byte
		if name, body, err = r.Next(); err == nil {
			f.Add(len(parts), name, bytes.Clone(body))
			parts = append(parts, part{name, bytes.Clone(body)})
		}
	}
	if !errors.Is(err, io.EOF) {
		f.Fatal(err)
	}
	f.Add(1, "documents/00001-0001.jsonl", []byte("{\"rev\":1,\"by\":\"a\u202eb\",\"body\":{\"key\":\"part\"}}\n"))
	f.Add(3, parts[3].name, bytes.Replace(parts[3].body, []byte("pass"), []byte("damaged"), 1))
	s, err := Open(f.Context(), filepath.Join(f.TempDir(), "b.db"), Options{})
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { _ = s.Close() })
	f.Fuzz(func(t *testing.T, at int, name string, body []byte) {
		var out bytes.Buffer
		w, err := bundle.NewWriter(&out, bundle.Header{Server: "a"})
		for i, p := range parts {
			if i == at {
				p = part{name, body}
			}
			err = errors.Join(err, w.Part(p.name, p.body))
		}
		if errors.Join(err, w.Close()) != nil {
			return // no name of a part
		}
		got, err := s.Look(context.Background(), bytes.NewReader(out.Bytes()), ImportOptions{})
		if err != nil {
			if CodeOf(err) == "" {
				t.Fatalf("%v", err)
			}
			return
		}
		if got.Refused == 0 {
			if _, err := s.Import(context.Background(), bytes.NewReader(out.Bytes()), "Bob", ImportOptions{}); err != nil && CodeOf(err) == "" {
				t.Fatalf("a look let it pass: %v", err)
			}
		}
	})
}

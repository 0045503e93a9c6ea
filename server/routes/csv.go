package routes

import (
	"errors"
	"net/http"
	"strings"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/lot"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// csvBody is a writer that sends the header of a file, CSV or another, with its
// first byte, so that an error before it can still be answered as a problem.
type csvBody struct {
	w       http.ResponseWriter
	name    string // without its end
	media   string
	end     string // of its name, such as ".csv"
	started bool
}

func (b *csvBody) Write(p []byte) (int, error) {
	if !b.started {
		b.started = true
		h := b.w.Header()
		h.Set("Content-Type", b.media)
		h.Set("Content-Disposition", `attachment; filename="`+fileName(b.name)+b.end+`"`)
	}
	return b.w.Write(p)
}

// fileName replaces the characters that are not safe in a file's name on every
// system.
func fileName(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_':
			return r
		}
		return '-'
	}, s)
}

// csvAnswer streams a CSV file from the function write. An error after the
// first byte breaks the connection, so that half a file is never taken for a
// whole one.
func (s *Server) csvAnswer(w http.ResponseWriter, r *http.Request, name string, write func(*csvBody) error) error {
	return s.fileAnswer(r, &csvBody{w: w, name: name, media: mediaCSV, end: ".csv"}, write)
}

// fileAnswer is csvAnswer for a file of any kind.
func (s *Server) fileAnswer(r *http.Request, body *csvBody, write func(*csvBody) error) error {
	err := write(body)
	if err == nil || !body.started {
		return err
	}
	switch {
	case tooSlow(err):
		s.Log.Info("export let go: its reader accepts nothing", "path", loggedPath(r))
	case r.Context().Err() == nil:
		s.Log.Error("export broken off", "path", loggedPath(r), "err", err)
	}
	panic(http.ErrAbortHandler)
}

// csvHistory answers with the runs that the query's filter picks.
func (s *Server) csvHistory(w http.ResponseWriter, r *http.Request) error {
	f, err := filterOf(r.URL.Query())
	if err != nil {
		return err
	}
	return s.csvAnswer(w, r, "ohmkeep-runs-"+s.day(), func(b *csvBody) error {
		e, behind := store.NewHistoryCSV(b), s.Lab.Standings()
		err := s.Store.EachRun(r.Context(), f, func(row *store.RunRow) error {
			return errors.Join(behind.Mark(r.Context(), row), e.Row(row))
		})
		if err != nil {
			return err
		}
		return e.Close()
	})
}

// csvWide answers with a row for each run that the filter picks and a column
// for each result.
func (s *Server) csvWide(w http.ResponseWriter, r *http.Request) error {
	f, err := filterOf(r.URL.Query())
	if err != nil {
		return err
	}
	return s.csvAnswer(w, r, "ohmkeep-results-"+s.day(), func(b *csvBody) error {
		var e *store.WideCSV
		behind := s.Lab.Standings()
		begin := func(columns []lot.Column) error {
			e = store.NewWideCSV(b, columns)
			return nil
		}
		if err := s.Store.Wide(r.Context(), f, begin, func(row *store.WideRow) error {
			return errors.Join(behind.Mark(r.Context(), &row.Run), e.Row(row))
		}); err != nil {
			return err
		}
		return e.Close()
	})
}

// csvResults answers with the results of one run.
func (s *Server) csvResults(w http.ResponseWriter, r *http.Request) error {
	rec, results, err := s.wholeBudgets(r.Context(), chi.URLParam(r, "id"))
	if err != nil {
		return err
	}
	behind, err := s.Lab.Behind(r.Context(), rec)
	if err != nil {
		return err
	}
	return s.csvAnswer(w, r, runFile(rec, "results"), func(b *csvBody) error {
		e := store.NewResultsCSV(b, behind.Badge, s.served.in(rec))
		for i := range results {
			if err := e.Row(rec, &results[i]); err != nil {
				return err
			}
		}
		return e.Close()
	})
}

// csvReadings answers with the readings of one run, of one measurement where
// the query names one: those that are whole, and what is damaged in words.
func (s *Server) csvReadings(w http.ResponseWriter, r *http.Request) error {
	rec, lost, err := s.Store.WholeRun(r.Context(), chi.URLParam(r, "id"))
	if err != nil {
		return err
	}
	q, measurement := r.URL.Query(), store.AllMeasurements
	if text := q.Get("measurement"); text != "" {
		if ps := readingParams[0].Check(text); len(ps) > 0 {
			return problem.Fields(ps)
		}
		measurement = number(q, "measurement", 0)
		if n := len(rec.Procedure.Measurements); n > 0 && measurement >= n { // 0: damaged
			return problem.Field("measurement", "this run has no such measurement")
		}
	}
	return s.csvAnswer(w, r, runFile(rec, "readings"), func(b *csvBody) (err error) {
		e := store.NewReadingsCSV(b, rec, lost)
		defer func() { err = errors.Join(err, e.Close()) }()
		return s.Store.WholeChunks(r.Context(), rec.ID, measurement, 0, e.Chunk, e.Damaged)
	})
}

// runFile returns the name of a run's file: what was measured, and whether it
// was rehearsed.
func runFile(rec *procedure.Record, what string) string {
	parts := []string{rec.Device.Key, rec.Unit.Serial, shortRun(rec.ID), what}
	if rec.Rehearsal {
		parts = append(parts, "rehearsal")
	}
	var named []string
	for _, p := range parts {
		if p != "" {
			named = append(named, p)
		}
	}
	return strings.Join(named, "-")
}

// shortRun is the end of a run's id: the beginning of a UUIDv7 is the time.
func shortRun(id string) string { return id[max(len(id)-8, 0):] }

// day returns today's date as it stands in names of files.
func (s *Server) day() string { return s.Now().UTC().Format("2006-01-02") }

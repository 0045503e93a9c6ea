package routes

import (
	"context"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/cause"
	"ohmkeep/server/liverun"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/standing"
	"ohmkeep/web"
)

// view returns the run page of any run, at work or ended, with the number of
// the live stream that it corresponds to (0: it does not change any more). m
// is the measurement to show; below 0 it is the one at work or else the one
// worth showing.
func (s *Server) view(ctx context.Context, id string, m int) (web.RunProps, uint64, error) {
	p, seq, err := s.bareView(ctx, id, m)
	if err == nil {
		p.Behind, err = s.Lab.Behind(ctx, &p.Record)
	}
	if err == nil && p.Record.Status != procedure.Running {
		p.Cause = causeOf(&p.Record, slices.Concat(p.Results...), &p.Behind)
	}
	return p, seq, err
}

// causeOf is what most probably explains the findings of a run that has ended; nil
// where there are none. Work by hand has no procedure whose results could be compared.
func causeOf(rec *procedure.Record, results []procedure.Result, behind *standing.Standing) *cause.Diagnosis {
	if rec.Manual || rec.Status == procedure.Damaged {
		return nil
	}
	return cause.Diagnose(rec, results, cause.Told{Checked: behind.Badge == standing.Checked, Faults: behind.Touching()})
}

// bareView is view without what stands behind the run.
func (s *Server) bareView(ctx context.Context, id string, m int) (web.RunProps, uint64, error) {
	if now, known := s.Runs.Snapshot(id, m); known && now.Record.Status == procedure.Running {
		p := runPropsOf(now)
		p.Served = s.served.in(&p.Record)
		note, err := s.Store.GetRun(ctx, id)
		if err != nil {
			return p, 0, err
		}
		p.Record.Note = note.Note
		if m = now.Selected; m < len(p.Record.Procedure.Measurements) && now.Lost == nil {
			plot, err := s.plotNow(ctx, &p.Record, m, now)
			if err != nil {
				return p, 0, err
			}
			p.Plots = []web.Plot{plot}
		}
		return p, now.Seq, nil
	}
	p, err := s.storedView(ctx, id, m)
	return p, 0, err
}

// storedView returns the run page of a stored run.
func (s *Server) storedView(ctx context.Context, id string, m int) (web.RunProps, error) {
	rec, err := s.Store.GetRun(ctx, id)
	if err != nil {
		return web.RunProps{}, err
	}
	results, err := s.Store.Budgets(ctx, id)
	if err != nil {
		return web.RunProps{}, err
	}
	p := web.RunProps{Base: "/runs/" + id, Record: *rec, Pins: web.Marks(&rec.Device), Served: s.served.in(rec)}
	p.Results = web.ByMeasurement(len(rec.Procedure.Measurements), results)
	web.JudgePins(p.Pins, results)
	p.Progress = endProgress(rec, results)
	if m < 0 || m >= len(rec.Procedure.Measurements) {
		m = worthShowing(rec, results)
	}
	p.Selected = m
	if m >= len(rec.Procedure.Measurements) {
		return p, nil
	}
	plot, err := s.plotNow(ctx, rec, m, nil)
	if problem.CodeOf(err) == problem.Corrupt {
		p.ReadingsDamaged = true
		return p, nil
	}
	if err != nil {
		return p, err
	}
	p.Plots = []web.Plot{plot}
	last, err := s.Store.LastReadings(ctx, id, m, pinReadings)
	if err != nil {
		return p, err
	}
	lastAtPins(p.Pins, last)
	slices.Reverse(last)
	p.Latest = last[:min(len(last), liverun.LatestRows)]
	return p, nil
}

// pinReadings is the number of newest readings that are searched for the last
// one of each pin.
const pinReadings = 256

// lastAtPins enters the last reading of each pin.
func lastAtPins(pins []web.PinMark, readings []bench.Reading) {
	for i := range pins {
		for _, r := range readings {
			if int(r.Pin) == pins[i].Number {
				pins[i].V, pins[i].I, pins[i].Flags = r.V, r.I, r.Flags
			}
		}
	}
}

// endProgress returns the progress of a run that has ended: a measurement
// counts as done where it has results.
func endProgress(rec *procedure.Record, results []procedure.Result) web.Progress {
	at := web.Progress{
		Measurement: len(rec.Procedure.Measurements), Done: make([]bool, len(rec.Procedure.Measurements)),
		Readings: rec.Readings, Left: -1,
	}
	for _, r := range results {
		if r.Measurement >= 0 && r.Measurement < len(at.Done) {
			at.Done[r.Measurement] = true
		}
	}
	return at
}

// worthShowing picks the measurement to open the page with: the first that did
// not pass, else the first that draws a line, else the first.
func worthShowing(rec *procedure.Record, results []procedure.Result) int {
	i := slices.IndexFunc(results, func(r procedure.Result) bool {
		return r.Outcome != "" && r.Outcome != "pass"
	})
	if i >= 0 {
		return results[i].Measurement
	}
	for m := range rec.Procedure.Measurements {
		if !rec.Procedure.Measurements[m].Disabled && liverun.ShapeOf(rec, m).Line {
			return m
		}
	}
	return 0
}

// plotNow returns the plot of a measurement as of now. Where memory no longer
// holds its picture, or the run has ended, it is made from the stored
// readings, which give the same picture.
func (s *Server) plotNow(ctx context.Context, rec *procedure.Record, m int, now *liverun.Snapshot) (web.Plot, error) {
	if now != nil && now.Picture != nil {
		return plotOf(rec, m, now.Picture), nil
	}
	picture, err := s.Runs.Picture(ctx, rec, m)
	if err != nil {
		return web.Plot{}, err
	}
	return plotOf(rec, m, picture), nil
}

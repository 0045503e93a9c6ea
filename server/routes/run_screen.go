package routes

import (
	"context"

	"ohmkeep/server/live"
	"ohmkeep/server/liverun"
	"ohmkeep/server/procedure"
	"ohmkeep/web"
)

// runScreen renders the changing parts of the page of a run at work.
type runScreen struct {
	s     *Server
	paint *live.Painter
}

func (s *Server) newRunScreen(id string) liverun.Screen {
	return &runScreen{s, newPainter(s.Log, liverun.Topic(id))}
}

// Draw implements liverun.Screen.
func (d *runScreen) Draw(now *liverun.Snapshot, changed []liverun.Part, shared bool) map[string]string {
	ctx, out := drawing(context.Background()), make(map[string]string, 2*len(changed))
	p := runPropsOf(now)
	if !now.Record.Manual {
		p.Served = d.s.served.in(&p.Record)
	}
	if shared { // relative links lead back to the share link, whichever it is
		p.Shared, p.Base = true, ""
	}
	with := func() web.RunProps { // a plot may fail: then it alone
		q := p
		q.Plots = plotsOf(now)
		return q
	}
	if now.Record.Manual {
		out[web.PartManualPins] = d.paint.Paint(ctx, web.PartManualPins, func() live.Component { return web.ManualPins(manualLive(p)) })
		out[web.PartManualStop] = d.paint.Paint(ctx, web.PartManualStop, func() live.Component { return web.ManualStop(manualLive(p)) })
		out[web.PartManualLive] = d.paint.Paint(ctx, web.PartManualLive, func() live.Component { return web.ManualLive(manualLive(with())) })
		return out
	}
	for _, part := range changed {
		for _, id := range partIDs(part) {
			out[id] = d.paint.Paint(ctx, id, func() live.Component {
				if id == web.PartRunPlot {
					return web.RunPart(id, with())
				}
				return web.RunPart(id, p)
			})
		}
	}
	return out
}

// Head implements liverun.Screen.
func (d *runScreen) Head() map[string]string {
	ctx := drawing(context.Background())
	return painted(ctx, d.paint, web.BenchParts(d.s.brief(ctx)))
}

// partIDs returns the ids of the page's elements that show a part.
func partIDs(p liverun.Part) []string {
	switch p.Kind {
	case liverun.Status:
		return []string{web.PartRunStatus}
	case liverun.Stop:
		return []string{web.PartRunStop}
	case liverun.Plot:
		return []string{web.PartRunPlot}
	case liverun.Latest:
		return []string{web.PartRunLatest}
	case liverun.NoResults:
		return []string{web.PartRunNoResults}
	case liverun.PinPart:
		return []string{web.PartRunPin(p.N), web.PartRunDrawn(p.N)}
	case liverun.Line:
		return []string{web.PartRunLine(p.N)}
	case liverun.Results:
		return []string{web.PartRunResults(p.N)}
	}
	return nil
}

// runPropsOf returns the page of a run at work, without its plots.
func runPropsOf(now *liverun.Snapshot) web.RunProps {
	p := web.RunProps{
		Base: "/runs/" + now.Record.ID, Record: now.Record, Pins: pinMarks(now), Results: now.Results,
		Selected: now.Selected, Follow: now.Follow, Latest: now.Latest,
	}
	at := now.Progress
	p.Progress = web.Progress{
		Measurement: at.Measurement, Point: at.Point, Points: at.Points, Done: at.Done,
		Elapsed: at.Elapsed, Left: at.Left, Readings: at.Readings,
	}
	return p
}

// pinMarks returns the pins with their present connection and their worst
// outcome so far.
func pinMarks(now *liverun.Snapshot) []web.PinMark {
	at := make(map[int]*liverun.Pin, len(now.Pins))
	for i := range now.Pins {
		at[now.Pins[i].Number] = &now.Pins[i]
	}
	marks := web.Marks(&now.Record.Device)
	for i := range marks {
		if p := at[marks[i].Number]; p != nil {
			m := &marks[i]
			m.Use, m.Level, m.V, m.I, m.Flags = p.Use, p.Level, p.V, p.I, p.Flags
			m.Channel = now.Record.Bench.ChannelName(p.Channel)
		}
	}
	web.JudgePins(marks, now.Results...)
	return marks
}

// plotsOf returns the plots of the selected measurement.
func plotsOf(now *liverun.Snapshot) []web.Plot {
	if now.Lost != nil {
		panic(now.Lost) // its notice stands in the plot's place
	}
	if now.Picture == nil {
		return nil
	}
	return []web.Plot{plotOf(&now.Record, now.Selected, now.Picture)}
}

// plotOf returns the drawing of a measurement's picture.
func plotOf(rec *procedure.Record, m int, picture *liverun.Picture) web.Plot {
	shape := picture.Shape()
	p := web.Plot{
		ID: "plot", Title: rec.Procedure.Measurements[m].Name, Band: shape.Band,
		X:     web.Axis{Label: shape.X.Label, Unit: shape.X.Unit, Log: shape.X.Log, Whole: shape.X.Quantity == procedure.QuantityPin},
		Y:     web.Axis{Label: shape.Y.Label, Unit: shape.Y.Unit, Log: shape.Y.Log},
		Empty: "No readings yet.",
	}
	if rec.Status != procedure.Running {
		p.Empty = "This measurement has no readings."
	}
	for _, s := range picture.Series(&rec.Device) {
		p.Series = append(p.Series, web.Series{Label: s.Label, X: s.X, Y: s.Y, Hollow: s.Hollow, Line: s.Line})
	}
	return p
}

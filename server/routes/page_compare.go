package routes

import (
	"context"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"ohmkeep/server/derive"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/store"
	"ohmkeep/web"
)

// comparePage is a lot side by side: each result over the last finished run of
// each unit.
func (s *Server) comparePage(w http.ResponseWriter, r *http.Request) error {
	ctx, q := r.Context(), r.URL.Query()
	lots, err := s.Store.Lots(ctx, "")
	if err != nil {
		return err
	}
	lot := q.Get("lot")
	if lot == "" && len(lots) > 0 {
		lot = lots[len(lots)-1]
	}
	p := web.LotProps{
		Page: s.frame(ctx, "Lot "+lot, "/runs"), Lot: lot, Outcome: map[derive.Outcome]int{},
		Pick: web.Form{ID: "pick", Values: url.Values{"lot": {lot}}},
	}
	for _, l := range lots {
		p.Lots = append(p.Lots, web.Option{Value: l, Label: l})
	}
	if lot != "" && !slices.Contains(lots, lot) {
		return problem.NoSuch("lot " + lot)
	}
	runs, err := s.lastRuns(ctx, lot)
	if err != nil {
		return err
	}
	p.Units = len(runs)
	for i := range runs {
		p.Outcome[runs[i].Outcome]++
		p.Rows = append(p.Rows, s.runRow(&runs[i]))
		p.Device, p.Procedure = runs[i].DeviceName, runs[i].ProcedureName
		p.Page.Rehearsal = p.Page.Rehearsal || runs[i].Rehearsal
	}
	if p.Stats, err = s.lotStats(ctx, runs); err != nil {
		return err
	}
	p.WideCSV = "/runs/wide.csv?" + url.Values{"lot": {lot}}.Encode()
	pickStat(&p, q.Get("result"))
	return show(ctx, w, http.StatusOK, web.Lot(p))
}

// pickStat marks the result that is drawn: the one asked for, else the one
// with the fewest passes.
func pickStat(p *web.LotProps, asked string) {
	chosen := -1
	if n, err := strconv.Atoi(asked); err == nil && n >= 0 && n < len(p.Stats) {
		chosen = n
	}
	for i := range p.Stats {
		st := &p.Stats[i]
		st.Href = "/compare?" + url.Values{"lot": {p.Lot}, "result": {strconv.Itoa(i)}}.Encode() + "#lot-plot"
		if asked == "" && st.N > 0 && (chosen < 0 || st.Of-st.Passed > p.Stats[chosen].Of-p.Stats[chosen].Passed) {
			chosen = i
		}
	}
	if chosen >= 0 {
		p.Stats[chosen].Selected = true
		plot := web.LotPlot(p.Stats[chosen])
		p.Plot = &plot
	}
}

// statKey is one result over a lot, its measurement by id: its place changes
// when the procedure is edited. Runs of another procedure have others.
type statKey struct {
	procedure, measurement string
	id                     procedure.ResultID
	unit                   quantity.Unit
}

// lotStats computes the statistics of each result, in the order of the runs'
// own results.
func (s *Server) lotStats(ctx context.Context, runs []store.RunRow) ([]web.LotStat, error) {
	var order []statKey
	stats := map[statKey]*web.LotStat{}
	sums := map[statKey]*derive.Accumulator{}
	type revision struct {
		procedure string
		rev       int
	}
	recs := map[revision]*procedure.Record{}
	for i := range runs {
		results, err := s.Store.Results(ctx, runs[i].ID)
		if err != nil {
			return nil, err
		}
		rev := revision{runs[i].Procedure, runs[i].ProcRev}
		rec := recs[rev]
		if rec == nil || rev.rev == 0 { // 0: never stored, so each its own
			if rec, err = s.Store.GetRun(ctx, runs[i].ID); err != nil {
				return nil, err
			}
			recs[rev] = rec
		}
		for _, r := range results {
			key := keyOf(rec, r)
			st := stats[key]
			if st == nil {
				st = newStat(rec, r)
				stats[key], sums[key] = st, &derive.Accumulator{}
				order = append(order, key)
			}
			addResult(st, sums[key], r, i)
		}
	}
	out := make([]web.LotStat, 0, len(order))
	for _, key := range order {
		st, sum := stats[key], sums[key]
		st.N, st.Mean, st.SD, st.Min, st.Max = sum.N(), sum.Mean(), sum.SD(), sum.Min(), sum.Max()
		out = append(out, *st)
	}
	return out, nil
}

func keyOf(rec *procedure.Record, r procedure.Result) statKey {
	key := statKey{procedure: rec.Procedure.Key, id: r.ID(), unit: r.Unit}
	if m := rec.Procedure.Measurements; r.Measurement >= 0 && r.Measurement < len(m) && m[r.Measurement].ID != "" {
		key.measurement, key.id.Measurement = m[r.Measurement].ID, 0
	}
	return key
}

func newStat(rec *procedure.Record, r procedure.Result) *web.LotStat {
	st := &web.LotStat{Name: r.Name, Unit: r.Unit, Low: r.Low, High: r.High, Where: joinText(r.Group, r.Condition)}
	if r.Measurement >= 0 && r.Measurement < len(rec.Procedure.Measurements) {
		st.Measurement = rec.Procedure.Measurements[r.Measurement].Name
	}
	if pin, ok := rec.Device.Pin(r.Pin); ok {
		st.Pin = pin.Label()
	}
	return st
}

// addResult counts a unit's result in. Invalid values are counted, not
// computed with.
func addResult(st *web.LotStat, sum *derive.Accumulator, r procedure.Result, unit int) {
	if r.Outcome == derive.Invalid || math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
		st.Invalid++
		st.Values = append(st.Values, math.NaN())
	} else {
		sum.Add(float64(unit), r.Value)
		st.Values = append(st.Values, r.Value)
	}
	if r.Outcome != derive.NoLimits {
		st.Of++
		if passed(r.Outcome) {
			st.Passed++
		}
	}
}

package routes

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/lot"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/web"
)

// comparePage is the overview of a lot: each result over the last finished run
// of each unit.
func (s *Server) comparePage(w http.ResponseWriter, r *http.Request) error {
	ctx, q := r.Context(), r.URL.Query()
	lots, err := s.Store.Lots(ctx, "")
	if err != nil {
		return err
	}
	name := q.Get("lot")
	if name == "" && len(lots) > 0 {
		name = lots[len(lots)-1]
	}
	p := web.LotProps{
		Page: s.frame(ctx, "Lot "+name, "/runs"), Lot: name, Outcome: map[derive.Outcome]int{},
		Pick: web.Form{ID: "pick", Values: url.Values{"lot": {name}}},
	}
	for _, l := range lots {
		p.Lots = append(p.Lots, web.Option{Value: l, Label: l})
	}
	if name != "" && !slices.Contains(lots, name) {
		return problem.NoSuch("lot " + name)
	}
	if err := s.fillLot(ctx, &p, "/compare?"+url.Values{"lot": {name}}.Encode(), q); err != nil {
		return err
	}
	p.WideCSV = "/runs/wide.csv?" + url.Values{"lot": {name}}.Encode()
	if name != "" && personOf(ctx).Role >= store.Operator {
		p.Share = lotShareForm(&p)
	}
	return show(ctx, w, http.StatusOK, web.Lot(p))
}

// fillLot fills in the units and statistics of a lot. Base is the address of the
// page, which links to its other parts add to.
func (s *Server) fillLot(ctx context.Context, p *web.LotProps, base string, q url.Values) error {
	runs, err := s.lastRuns(ctx, p.Lot)
	if err != nil {
		return err
	}
	runs = slices.DeleteFunc(runs, func(r store.RunRow) bool {
		if r.Status == procedure.Damaged {
			p.Damaged = append(p.Damaged, web.LotDamage{Run: r.ID, What: "its head; it is left out of everything below"})
		}
		return r.Status == procedure.Damaged
	})
	p.Units = len(runs)
	for i := range runs {
		p.Outcome[runs[i].Outcome]++
		p.Device, p.Procedure = runs[i].DeviceName, runs[i].ProcedureName
		p.Page.Rehearsal = p.Page.Rehearsal || runs[i].Rehearsal
	}
	if err := s.unitsPage(ctx, p, base, runs, number(q, "units", 1), q.Get("result")); err != nil {
		return err
	}
	stats, damaged, err := s.lotStats(ctx, runs)
	if err != nil {
		return err
	}
	p.Stats, p.Damaged = stats, append(p.Damaged, damaged...)
	pickStat(p, base, q.Get("result"))
	return nil
}

// with adds parameters to an address that may have some.
func with(base string, q url.Values) string {
	if strings.Contains(base, "?") {
		return base + "&" + q.Encode()
	}
	return base + "?" + q.Encode()
}

// unitsPerPage is how many units of a lot one page lists. Its statistics are
// over all of them.
const unitsPerPage = 100

// unitsPage returns one page of units, from number first on, counted from 1.
func (s *Server) unitsPage(ctx context.Context, p *web.LotProps, base string, runs []store.RunRow, first int, result string) error {
	if first < 1 || first > len(runs) {
		first = 1
	}
	last := min(first+unitsPerPage-1, len(runs))
	var err error
	if p.Rows, err = s.runRows(ctx, runs[first-1:last]); err != nil {
		return err
	}
	address := func(first int) string {
		q := url.Values{"units": {strconv.Itoa(first)}}
		if result != "" {
			q.Set("result", result)
		}
		return with(base, q) + "#units"
	}
	p.First, p.Last = first, last
	if first > 1 {
		p.Earlier = address(max(first-unitsPerPage, 1))
	}
	if last < len(runs) {
		p.Later = address(last + 1)
	}
	return nil
}

// pickStat marks the result that the plot draws: the one asked for, else the
// one with the fewest passes.
func pickStat(p *web.LotProps, base, asked string) {
	chosen := -1
	if n, err := strconv.Atoi(asked); err == nil && n >= 0 && n < len(p.Stats) {
		chosen = n
	}
	for i := range p.Stats {
		st := &p.Stats[i]
		st.Href = with(base, url.Values{"result": {strconv.Itoa(i)}}) + "#lot-plot"
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

// lotStats are the statistics of each result over one run of each unit, and what is
// damaged of the runs that say what the pins are called.
func (s *Server) lotStats(ctx context.Context, runs []store.RunRow) (out []web.LotStat, damaged []web.LotDamage, err error) {
	table := lot.NewTable(len(runs))
	err = s.Store.EachResult(ctx, runs, func(run int, from *lot.Source, x *procedure.Result, order int64) error {
		table.Add(run, from, x, order)
		return nil
	})
	if err != nil {
		return nil, nil, err
	}
	type revision struct {
		device string
		rev    int
	}
	devices := map[revision]*dut.Device{}
	for _, st := range table.Statistics() {
		r := &runs[st.Run]
		rev := revision{r.Device, r.DeviceRev}
		device := devices[rev]
		if device == nil || rev.rev == 0 { // 0: never stored, so each its own
			rec, lost, err := s.Store.WholeRun(ctx, r.ID)
			if err != nil {
				return nil, nil, err
			}
			if len(lost) > 0 {
				damaged = append(damaged, web.LotDamage{Run: r.ID, What: strings.Join(lost, "; ")})
			}
			device = &rec.Device
			devices[rev] = device
		}
		out = append(out, shownStat(&st, device))
	}
	return out, damaged, nil
}

// shownStat converts a result's statistics into the page's row.
func shownStat(st *lot.Statistics, device *dut.Device) web.LotStat {
	out := web.LotStat{
		Measurement: st.MeasurementName, Name: st.Name, Where: joinText(st.Curve, st.Condition), Unit: st.Unit,
		N: st.N, Invalid: st.Invalid, Mean: st.Mean, SD: st.SD, Min: st.Min, Max: st.Max, Low: st.Low, High: st.High,
		Passed: st.Passed, Of: st.Of, Values: st.Values,
	}
	if pin, ok := device.Pin(st.Pin); ok {
		out.Pin = pin.Label()
	} else if st.Pin > 0 { // what it was called is damaged
		out.Pin = strconv.Itoa(st.Pin)
	}
	return out
}

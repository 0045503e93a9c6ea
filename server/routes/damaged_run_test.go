package routes

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestDamagedRunStaysUsable: of a run that is damaged in part, files and API give
// what is whole and say in words what is not; its page says so and leads there.
func TestDamagedRunStaysUsable(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		damage string
		has    map[string][]string // by address: words of a good answer
		not    map[string]string
	}{
		"readings": {"UPDATE chunk_data SET data = zeroblob(2000) WHERE chunk = (SELECT min(id) FROM chunks)", map[string][]string{
			"/runs/ID?m=0":                 {"Some readings of this measurement are damaged", `href="/runs/ID/readings.csv`},
			"/runs/ID/readings.csv":        {"are damaged: what the disk has is not what was stored"},
			"/runs/ID/results.csv":         {"resistance", "yes"},
			"/api/v1/runs/ID/readings.csv": {"readings 1 to"},
			"/api/v1/runs/ID/readings":     {`"damaged":[{"from":0,`, "what the disk has is not what was stored"},
			"/api/v1/runs/ID/plot":         {`"damaged":["`, `"title":"Resistance"`},
			"/compare?lot=L1":              {"Resistance"},
		}, nil},
		"a budget": {"UPDATE budgets SET body = replace(body, '0', '1')", map[string][]string{
			"/runs/ID/results.csv": {"the budget is damaged", "resistance"},
			"/runs/ID/budgets.csv": {"none: the budget is damaged", "resistance"},
		}, nil},
		"the device as it was": {"UPDATE snapshots SET body = replace(body, 'load', 'lobd') WHERE id = (SELECT device_body FROM runs)", map[string][]string{
			"/runs/ID":                 {"This run is damaged", "the device as it was", "S1", `href="/runs/ID/readings.csv"`, `href="/runs/ID/results.csv"`},
			"/runs/ID/readings.csv":    {"damaged: the device as it was", "1,"},
			"/runs/ID/results.csv":     {"resistance", "the device as it was"},
			"/runs/ID/budgets.csv":     {"the device as it was"},
			"/runs/ID?budget=all":      {"This run is damaged", "the device as it was", `href="/runs/ID/budgets.csv"`},
			"/runs/ID?budget=0":        {"This run is damaged", "the device as it was"},
			"/runs/ID/traffic":         {"This run is damaged", "the device as it was"},
			"/api/v1/runs/ID":          {`"damaged":["the device as it was"]`, `"serial":"S1"`},
			"/api/v1/runs/ID/results":  {`"resistance"`, "the device as it was"},
			"/api/v1/runs/ID/readings": {`"v":[`, "the device as it was"},
			"/api/v1/runs/ID/plot":     {`"title":"Resistance"`, `"damaged":["the device as it was"]`, `"x":[`},
			"/compare?lot=L1":          {"Resistance", "the device as it was"},
		}, map[string]string{"/runs/ID/readings.csv": "lobd"}},
		"its head": {"UPDATE runs SET serial = 'S9', rehearsal = 0", map[string][]string{
			"/runs/ID":                {"This run is damaged", "its head", `href="/runs/ID/readings.csv"`},
			"/runs/ID/readings.csv":   {"damaged: its head", ",not known"},
			"/runs/ID/results.csv":    {"resistance", ",not known"},
			"/runs/ID/budgets.csv":    {",not known"},
			"/api/v1/runs/ID":         {`"status":"damaged"`, "its head"},
			"/api/v1/runs/ID/results": {`"resistance"`, `"rule":"not known`},
			"/api/v1/runs/ID/plot":    {`"damaged":["its head`, `"series":[]`},
			"/compare?lot=L1":         {"Damaged: its head", `href="/runs/ID"`, "No unit finished yet"},
		}, map[string]string{"/runs/ID/results.csv": "S9", "/runs/ID": "S9", "/api/v1/runs/ID": "S9"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := newAPI(t)
			id := a.runOnce(map[string]any{"serial": "S1", "lot": "L1"})
			storetest.Exec(t, a.store, c.damage)
			if w := a.askPage(store.Operator, "POST", "/runs/"+id+"/rerun", nil); w.Code >= 500 {
				t.Errorf("rerun: status %d: %.300s", w.Code, w.Body)
			}
			for address, words := range c.has {
				w := a.askPage(store.Viewer, "GET", strings.ReplaceAll(address, "ID", id), nil)
				if w.Code != http.StatusOK {
					t.Errorf("%s: status %d: %.300s", address, w.Code, w.Body)
					continue
				}
				for _, word := range words {
					if word = strings.ReplaceAll(word, "ID", id); !strings.Contains(w.Body.String(), word) {
						t.Errorf("%s: %q is not in %.3000s", address, word, w.Body)
					}
				}
				if never := c.not[address]; never != "" && strings.Contains(w.Body.String(), never) {
					t.Errorf("%s: %q is shown as good", address, never)
				}
			}
		})
	}
}

// TestReadingsGoOnBehindDamage: pages of the API's readings lead past what is
// damaged, and say what it was.
func TestReadingsGoOnBehindDamage(t *testing.T) {
	t.Parallel()
	a := newAPI(t)
	id := a.runOnce(nil)
	ctx := t.Context()
	rec, err := a.store.GetRun(ctx, id)
	must(t, err)
	long := *rec
	long.ID, long.Status = "long", procedure.Running
	must(t, a.store.Begin(ctx, &long))
	rs, err := a.store.LastReadings(ctx, id, 0, 1)
	must(t, err)
	for len(rs) < 4000 {
		rs = append(rs, rs[0])
	}
	must(t, a.store.Append(ctx, "long", procedure.Batch{Readings: []procedure.MeasurementReadings{{Measurement: 0, Readings: rs}}}))
	must(t, a.store.Finish(ctx, "long", procedure.Ending{Status: procedure.Done, Outcome: rec.Outcome, Ended: rec.Ended}))
	storetest.Exec(t, a.store, "UPDATE chunk_data SET data = zeroblob(500) WHERE chunk = (SELECT id FROM chunks WHERE first = 1024)")
	var seen, damaged int
	for next := int64(0); ; {
		var page apiReadings
		w := a.ask(store.Viewer, "GET", "/runs/long/readings?limit=1000&from="+decimal(next), nil)
		a.answers(200, w)
		must(t, json.Unmarshal(w.body, &page))
		for _, g := range page.Damaged {
			if g.From != 1024 || g.To != 2048 || page.From != 2048 {
				t.Errorf("%+v before reading %d", g, page.From)
			}
			damaged++
		}
		seen += page.Count
		if page.Next == nil {
			break
		}
		next = *page.Next
	}
	if seen != 4000-1024 || damaged != 1 {
		t.Errorf("%d readings, %d stretches", seen, damaged)
	}
}

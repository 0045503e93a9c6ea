package routes

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"ohmkeep/server/lab"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/web"
)

// TestChosenBudgetsStandOnTheRun: what is ticked in the choice is what stands on the
// page of the run, by its owner's address and by a share link, and is ticked again
// when the choice is opened from there.
func TestChosenBudgetsStandOnTheRun(t *testing.T) {
	a := newAPI(t)
	id := a.runOnce(nil)
	results, err := a.store.Results(t.Context(), id)
	must(t, err)
	link := read[lab.ShareLink](a, a.ask(store.Operator, "POST", "/runs/"+id+"/shares", map[string]any{}), http.StatusCreated)
	resistance, mean := resultOf(t, results, "resistance"), resultOf(t, results, "mean")
	for _, base := range []string{"/runs/" + id, link.Path} {
		page := func(query string) string {
			w := a.askPage(store.Viewer, "GET", base+query, nil)
			if w.Code != http.StatusOK {
				t.Fatalf("%s%s: %d", base, query, w.Code)
			}
			return w.Body.String()
		}
		choice := page("?budget=" + web.ChooseBudgets)
		for i := range results {
			if key := web.BudgetKey(&results[i]); !strings.Contains(choice, `value="`+strings.ReplaceAll(key, "&", "&amp;")+`"`) {
				t.Errorf("%s cannot be chosen", key)
			}
		}
		if strings.Contains(choice, " checked") {
			t.Error("something is ticked before anybody has")
		}
		if plain := page(""); strings.Contains(plain, `id="budgets"`) || !strings.Contains(plain, "Choose budgets to print") {
			t.Error("without a choice there are budgets, or no way to choose")
		}
		for _, c := range []struct {
			with       []string
			resistance bool
			watch      int
		}{
			{[]string{web.BudgetKey(resistance)}, true, 0},
			{[]string{web.BudgetKey(resistance), web.BudgetKey(mean)}, true, 1},
			{[]string{web.MeasurementKey(mean.Measurement)}, false, 6},
		} {
			q := "?" + url.Values{web.WithBudgets: c.with}.Encode()
			got := page(q)
			if strings.Contains(got, "</span> Resistance, pin") != c.resistance || strings.Count(got, `<span class="quiet">Watch:</span>`) < c.watch ||
				c.watch == 0 && strings.Contains(got, `<span class="quiet">Watch:</span>`) {
				t.Errorf("%q: resistance %t, watch %d", c.with, strings.Contains(got, "</span> Resistance, pin"), strings.Count(got, `<span class="quiet">Watch:</span>`))
			}
			again := page("?" + url.Values{"budget": {web.ChooseBudgets}, web.WithBudgets: c.with}.Encode())
			if n := strings.Count(again, " checked"); n != len(c.with) {
				t.Errorf("%q: %d are ticked again", c.with, n)
			}
		}
		if none := page("?with=nonsense"); !strings.Contains(none, "are not in this run") {
			t.Error("a choice of nothing is not said")
		}
	}
}

func resultOf(t *testing.T, results []procedure.Result, key string) *procedure.Result {
	t.Helper()
	for i := range results {
		if results[i].Key == key {
			return &results[i]
		}
	}
	t.Fatalf("no result %s", key)
	return nil
}

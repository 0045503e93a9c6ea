package routes

import (
	"fmt"
	"html"
	"io"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// TestLotAcrossRevisions: the statistics of a result are of one measurement,
// also where the procedure was edited between two units of the lot.
func TestLotAcrossRevisions(t *testing.T) {
	a := newAPI(t)
	p := loadProcedure()
	p.Measurements = p.Measurements[:1]
	second := p.Measurements[0]
	second.ID, second.Name, second.Use, second.Level, second.Compliance = "again", "Again", procedure.UseVoltage, 1, 10e-3
	p.Measurements = append(p.Measurements, second)
	p.Key = "edited"
	rev, err := a.store.SaveProcedure(t.Context(), p, 0, "test")
	must(t, err)
	one := a.runOnce(map[string]any{"procedure": "edited", "serial": "S1", "lot": "L"})
	slices.Reverse(p.Measurements)
	_, err = a.store.SaveProcedure(t.Context(), p, rev, "test")
	must(t, err)
	two := a.runOnce(map[string]any{"procedure": "edited", "serial": "S2", "lot": "L"})

	var rows []store.RunRow
	must(t, a.store.EachRun(t.Context(), store.Filter{Lot: "L"}, func(r *store.RunRow) error { rows = append(rows, *r); return nil }))
	stats, _, err := a.server.lotStats(t.Context(), rows)
	must(t, err)
	want := map[string][]float64{}
	for _, id := range []string{two, one} { // newest first, as the list is
		rec, err := a.store.GetRun(t.Context(), id)
		must(t, err)
		results, err := a.store.Results(t.Context(), id)
		must(t, err)
		for _, r := range results {
			name := rec.Procedure.Measurements[r.Measurement].Name
			want[name] = append(want[name], r.Value)
		}
	}
	if len(rows) != 2 || len(stats) != len(want) {
		t.Fatalf("%d runs, %d statistics", len(rows), len(stats))
	}
	for _, st := range stats {
		if !slices.Equal(st.Values, want[st.Measurement]) {
			t.Errorf("%s: %v, want %v", st.Measurement, st.Values, want[st.Measurement])
		}
	}
}

// TestLargeLotIsPaged: a page lists some units of a lot and leads to the
// others, each unit once, while the statistics are of all of them and in the
// order of the wide table of the same lot.
func TestLargeLotIsPaged(t *testing.T) {
	l := newLab(t, true)
	lot := lotOf(t, l, 250, 6)
	get := func(path string) string {
		t.Helper()
		r, err := http.NewRequest("GET", l.web.URL+path, nil)
		must(t, err)
		r.Header.Set("Authorization", "Bearer "+l.token)
		resp, err := http.DefaultClient.Do(r)
		must(t, err)
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		must(t, err)
		if resp.StatusCode != http.StatusOK {
			t.Fatalf("%s: %s", path, resp.Status)
		}
		return string(body)
	}
	unit := regexp.MustCompile(`<a href="/runs/(n250-[^"]*)"`)
	next := regexp.MustCompile(`<a href="([^"]*)" rel="next">Later units`)
	listed := map[string]bool{}
	pages := 0
	for path := "/compare?result=2&lot=" + lot; path != ""; pages++ {
		body := get(path)
		found := unit.FindAllStringSubmatch(body, -1)
		for _, u := range found {
			if listed[u[1]] {
				t.Errorf("%s is listed twice", u[1])
			}
			listed[u[1]] = true
		}
		if len(found) > unitsPerPage || !strings.Contains(body, "250 units") || !strings.Contains(body, `<td class="n">250`) {
			t.Errorf("%s lists %d units, or its statistics are not of all", path, len(found))
		}
		if !regexp.MustCompile(`result=2[^"]*"\s+aria-current="true"`).MatchString(body) {
			t.Errorf("%s has forgotten which result is drawn", path)
		}
		path = ""
		if m := next.FindStringSubmatch(body); m != nil {
			path = html.UnescapeString(m[1])
		}
	}
	if len(listed) != 250 || pages != 3 {
		t.Errorf("%d units on %d pages", len(listed), pages)
	}
	header, _, _ := strings.Cut(get("/runs/wide.csv?lot="+lot), "\r\n")
	at, body := 0, get("/compare?lot="+lot)
	for i := range 6 {
		name := fmt.Sprint("Result ", i)
		at2 := strings.Index(header, ": "+name+" pin")
		if at2 < at || !strings.Contains(body, ">"+name) {
			t.Errorf("%s stands at %d of the table, after one at %d", name, at2, at)
		}
		at = at2
	}
}

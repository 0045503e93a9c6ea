package store_test

import (
	"encoding/base64"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestPageOfUnitsIsReadInOrder: a page is read from the index in the order of
// the list, from its place on; nothing is sorted, and runs are counted by index.
func TestPageOfUnitsIsReadInOrder(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	for _, serial := range []string{"u1", "u2"} {
		begin(t, s, record(serial, serial))
	}
	_, next, err := s.UnitPage(ctx, "", "", 1)
	must(t, err)
	for name, c := range map[string]struct{ device, cursor, step string }{
		"all":                  {"", "", "SCAN units USING INDEX units_listed"},
		"all, next page":       {"", next, "SEARCH units USING INDEX units_listed ((device,lot,serial)>(?,?,?))"},
		"of a device":          {"r-one", "", "SEARCH units USING INDEX units_listed (device=?)"},
		"of a device, further": {"r-one", next, "SEARCH units USING INDEX units_listed (device=? AND (lot,serial)>(?,?))"},
	} {
		steps, err := s.PlanOfUnits(ctx, c.device, c.cursor)
		must(t, err)
		if len(steps) != 7 || steps[0] != c.step || !strings.HasPrefix(steps[1], "CORRELATED SCALAR SUBQUERY") ||
			steps[2] != "SEARCH runs USING COVERING INDEX runs_unit (unit=?)" || !strings.HasPrefix(steps[3], "CORRELATED SCALAR SUBQUERY") ||
			steps[4] != "SEARCH deleting USING INTEGER PRIMARY KEY (rowid=?)" || !strings.HasPrefix(steps[5], "SCALAR SUBQUERY") || // once: for units from before seals
			steps[6] != "SEARCH unsealed USING INTEGER PRIMARY KEY (rowid=?)" {
			t.Errorf("%s: %q", name, steps)
		}
	}
}

// TestPagesOfUnitsAreTheList: page after page of any size, every unit comes
// once and in order, with its runs counted, also where texts look like
// something to an address or to JSON.
func TestPagesOfUnitsAreTheList(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	texts := []string{"", "a", "B", `"`, "é<&>", "\u2028", "_-/+ "}
	runs := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		for range rapid.IntRange(0, 4).Draw(t, "runs") {
			r := record(fmt.Sprint("r", len(runs), "-", rapid.Uint64().Draw(t, "id")), "u"+rapid.SampledFrom(texts).Draw(t, "serial"))
			r.Device = device(rapid.SampledFrom([]string{"d-a", "d-b", "d-c"}).Draw(t, "device"))
			r.Unit.Lot = rapid.SampledFrom(texts).Draw(t, "lot")
			if err := s.Begin(ctx, r); store.CodeOf(err) == store.Conflict {
				continue // drawn before
			} else {
				must(t, err)
			}
			runs[r.Device.Key+" "+r.Unit.Serial]++
		}
		device := rapid.SampledFrom([]string{"", "d-b", "none"}).Draw(t, "list of")
		limit := rapid.IntRange(1, 5).Draw(t, "limit")
		var places [][3]string
		for cursor, pages := "", 0; pages == 0 || cursor != ""; pages++ {
			list, next, err := s.UnitPage(ctx, device, cursor, limit)
			must(t, err)
			if len(list) > limit || next != "" && len(list) < limit || pages > len(runs) {
				t.Fatalf("page %d has %d units, next %q", pages, len(list), next)
			}
			for _, u := range list {
				if u.Runs != runs[u.Device+" "+u.Serial] || u.First.IsZero() {
					t.Fatalf("%+v, counted %d", u, runs[u.Device+" "+u.Serial])
				}
				places = append(places, [3]string{u.Device, u.Lot, u.Serial})
			}
			cursor = next
		}
		want := 0
		for unit := range runs {
			if device == "" || strings.HasPrefix(unit, device+" ") {
				want++
			}
		}
		if len(places) != want {
			t.Fatalf("%d units of %q, want %d", len(places), device, want)
		}
		if !slices.IsSortedFunc(places, func(a, b [3]string) int { return slices.Compare(a[:], b[:]) }) {
			t.Fatalf("%q", places)
		}
	})
}

// A cursor that no page gave out is refused, and so is a page of nothing.
func TestPageOfUnitsRefusals(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	cursor := func(text string) string { return base64.RawURLEncoding.EncodeToString([]byte(text)) }
	for name, c := range map[string]struct {
		device, cursor string
		limit          int
	}{
		"not base64": {"", "%", 10}, "not JSON": {"", cursor("x"), 10}, "too short": {"", cursor(`["a","b"]`), 10}, "too long": {"", cursor(`["a","b","c","d"]`), 10},
		"numbers": {"", cursor("[1,2,3]"), 10}, "of another device": {"d-a", cursor(`["d-b","",""]`), 10}, "no rows": {"", "", 0}, "fewer": {"", "", -1},
	} {
		if list, _, err := s.UnitPage(t.Context(), c.device, c.cursor, c.limit); store.CodeOf(err) != store.Invalid {
			t.Errorf("%s: %v, %v", name, list, err)
		}
	}
}

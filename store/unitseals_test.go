package store_test

import (
	"fmt"
	"strings"
	"testing"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestDamagedUnitIsNamed: a unit that is not what was stored is named by a check,
// its lot is not shown as good, and a later run of it does not make that good.
func TestDamagedUnitIsNamed(t *testing.T) {
	t.Parallel()
	for damage, serial := range map[string]string{
		"UPDATE units SET lot = 'L9' WHERE serial = 'two'":          "two",
		"UPDATE units SET first = first + 1 WHERE serial = 'two'":   "two",
		"UPDATE units SET serial = 'nine' WHERE serial = 'two'":     "nine",
		"UPDATE units SET device = 'r-two' WHERE serial = 'two'":    "two",
		"UPDATE units SET seal = NULL WHERE serial = 'two'":         "two",
		"UPDATE units SET id = id + 5 WHERE serial = 'two'":         "two",
		"UPDATE units SET lot = 'L1' WHERE serial = 'never stored'": "",
	} {
		t.Run(damage, func(t *testing.T) {
			t.Parallel()
			s := storetest.New(t)
			ctx := t.Context()
			for _, serial := range []string{"one", "two"} {
				begin(t, s, record("run of "+serial, serial))
			}
			again := record("run again", "one") // another lot is no damage
			again.Unit.Lot = "L2"
			begin(t, s, again)
			store.Spoil(t, s, damage)
			later := record("run later", serial)
			later.Unit.Lot = "L3"
			if serial != "" && !strings.Contains(damage, "r-two") {
				begin(t, s, later)
			}
			units, _, err := s.UnitPage(ctx, "", "", 10)
			must(t, err)
			lots, err := s.Lots(ctx, "")
			must(t, err)
			found, err := s.Check(ctx, nil)
			must(t, err)
			var marked []string
			for _, u := range units {
				if u.Damaged != "" {
					marked = append(marked, u.Serial)
					if u.Lot != "" || !u.First.IsZero() {
						t.Errorf("shown as good: %+v", u)
					}
				}
			}
			if serial == "" {
				if len(marked) > 0 || strings.Contains(fmt.Sprint(found.Findings), "unit") {
					t.Errorf("marked %q, found %+v", marked, found.Findings)
				}
				return
			}
			if fmt.Sprint(marked) != "["+serial+"]" || !strings.Contains(fmt.Sprint(found.Findings), "unit "+serial+" of device ") {
				t.Errorf("marked %q, found %+v", marked, found.Findings)
			}
			if text := fmt.Sprint(lots); strings.Contains(text, "L9") || strings.Contains(text, "L3") {
				t.Errorf("lots %s", text)
			}
		})
	}
}

// TestUnitsFromBeforeGetTheirSeals: a database whose units had no seals is sealed
// when it is opened, once.
func TestUnitsFromBeforeGetTheirSeals(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	begin(t, s, record("run", "one"))
	store.ForgetSeals(t, s)
	found, err := s.Check(t.Context(), nil)
	must(t, err)
	if text := fmt.Sprint(found.Findings); strings.Contains(text, "unit one") {
		t.Error(text)
	}
	store.Spoil(t, s, "UPDATE units SET seal = NULL")
	found, err = s.Check(t.Context(), nil)
	must(t, err)
	if text := fmt.Sprint(found.Findings); !strings.Contains(text, "unit one") {
		t.Errorf("a seal that was lost is not found: %s", text)
	}
}

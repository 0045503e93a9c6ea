package store_test

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/derive"
	"ohmkeep/server/lot"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestDamagedResultIsNowhereShown: one changed value stands in no list, table or
// file, the others do, and the check names the run.
func TestDamagedResultIsNowhereShown(t *testing.T) {
	t.Parallel()
	for what, damage := range map[string]string{
		"value":       "UPDATE results SET value = 4711 WHERE key = 'bad'",
		"limit":       "UPDATE results SET value = 4711, high = 5000 WHERE key = 'bad'",
		"uncertainty": "UPDATE results SET value = 4711, u = 1e-9 WHERE key = 'bad'",
		"pin":         "UPDATE results SET value = 4711, pin = 2 WHERE key = 'bad'",
		"missing":     "DELETE FROM results WHERE key = 'bad'",
		"another run": "UPDATE results SET value = 4711, run = 2 WHERE key = 'bad' AND run = 1",
		"unsealed":    "UPDATE results SET value = 4711, seal = NULL WHERE key = 'bad'",
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			s := storetest.New(t)
			ctx := t.Context()
			for _, id := range []string{"one", "two"} {
				begin(t, s, record(id, id))
				appendAll(t, s, id, procedure.Batch{Results: []procedure.Result{result(0, "good", 1, 100), result(0, "bad", 1, 200), result(1, "good", 1, 300)}})
				if id == "one" || what == "another run" {
					must(t, s.Finish(ctx, id, procedure.Ending{Status: procedure.Done, Outcome: derive.Pass, Ended: start.Add(time.Minute)}))
				}
			}
			if what == "another run" { // leave room for it
				store.Spoil(t, s, "DELETE FROM results WHERE run = 2")
			} else {
				damage += " AND run = 1"
			}
			store.Spoil(t, s, damage)
			results, err := s.Results(ctx, "one")
			must(t, err)
			var damaged, good int
			for i := range results {
				x := &results[i]
				switch {
				case x.Outcome == derive.Damaged:
					damaged++
					if !math.IsNaN(x.Value) || !math.IsNaN(x.From) || x.Note == "" {
						t.Errorf("%+v", x)
					}
				case x.Key == "good":
					good++
				default:
					t.Errorf("shown as good: %+v", x)
				}
			}
			if damaged == 0 || good != 2 {
				t.Errorf("%d damaged, %d good", damaged, good)
			}
			rec, err := s.GetRun(ctx, "one")
			must(t, err)
			var file bytes.Buffer
			e := store.NewResultsCSV(&file, "", nil)
			for i := range results {
				must(t, e.Row(rec, &results[i]))
			}
			must(t, e.Close())
			wide, seen := wideText(t, s), 0
			must(t, s.EachResult(ctx, allRuns(t, s), func(_ int, _ *lot.Source, x *procedure.Result, _ int64) error {
				if x.Outcome == derive.Damaged {
					seen++
				}
				if x.Value == 4711 {
					t.Errorf("a lot has %+v", x)
				}
				return nil
			}))
			for name, text := range map[string]string{"file": file.String(), "wide table": wide} {
				if strings.Contains(text, "4711") || !strings.Contains(text, "damaged") {
					t.Errorf("%s:\n%s", name, text)
				}
			}
			found, err := s.Check(ctx, nil)
			if err != nil || seen == 0 || !strings.Contains(fmt.Sprint(found.Findings), "run one") {
				t.Errorf("%d in the lot, check: %+v, %v", seen, found, err)
			}
			if met := s.MetDamage(); len(met) == 0 || !strings.Contains(met[0], "results of run") {
				t.Errorf("met %q", met)
			}
		})
	}
}

func allRuns(t *testing.T, s *store.Store) (out []store.RunRow) {
	must(t, s.EachRun(t.Context(), store.Filter{}, func(r *store.RunRow) error { out = append(out, *r); return nil }))
	return out
}

func wideText(t *testing.T, s *store.Store) string {
	rows := map[string]string{}
	must(t, wideRows(t.Context(), s, rows))
	return fmt.Sprint(rows)
}

// TestDamageIsNamed: whatever is changed is no longer shown, and the check
// names it.
func TestDamageIsNamed(t *testing.T) {
	t.Parallel()
	const nothing = ""
	for damage, subject := range map[string]string{
		"UPDATE runs SET outcome = 'pass', seal = seal WHERE id = 'run-3' AND outcome <> 'pass'":    nothing,
		"UPDATE runs SET serial = 'u9' WHERE id = 'run-3'":                                          "run run-3",
		"UPDATE runs SET readings = readings + 1 WHERE id = 'run-3'":                                "run run-3",
		"UPDATE runs SET note = 'all is well' WHERE id = 'run-3'":                                   "run run-3",
		"UPDATE runs SET device_body = procedure_body WHERE id = 'run-3'":                           "run run-3",
		"UPDATE chunks SET first = first + 1 WHERE run = 4":                                         "run run-3",
		"UPDATE chunks SET count = count - 1 WHERE run = 4":                                         "run run-3",
		"DELETE FROM chunks WHERE run = 4 AND first > 0":                                            "run run-3",
		"DELETE FROM chunk_data WHERE chunk = (SELECT max(id) FROM chunks WHERE run = 4)":           "run run-3",
		"UPDATE budgets SET body = replace(body, 'gain', 'none') WHERE result = 37":                 "run run-3",
		"UPDATE acknowledged SET findings = replace(findings, 'short', 'long') WHERE run = 'run-3'": "run run-3",
		"UPDATE device_revisions SET body = replace(body, '0.1', '0.2') WHERE rev = 2":              "device r-one, revision 2",
		"UPDATE devices SET rev = 2":                                                                "device r-one",
		"UPDATE pin_map_revisions SET body = replace(body, '5', '7')":                               "pin map r-one/b-one, revision 1",
		"UPDATE seatings SET body = '{}'":                                                           "what was seated on bench b-one",
		"UPDATE bench_checks SET verdict = 'good'":                                                  "check check-1 of bench b-one",
		"UPDATE bench_checks SET body = replace(body, 'faulty', 'good'), seal = NULL":               "check check-1 of bench b-one",
		"UPDATE corrections SET body = replace(body, '4.25', '5.25')":                               "corrections 1 of bench b-one",
		"UPDATE snapshots SET body = replace(body, 'Resistance', 'Reluctance')":                     "run run-3",
		"DROP TRIGGER events_stand; UPDATE events SET by = 'bob' WHERE id = 3":                      "the log of who did what",
		"DROP TRIGGER events_stay; DELETE FROM events WHERE id = 3":                                 "the log of who did what",
		"DROP TRIGGER events_stay; DELETE FROM events WHERE id = 8":                                 "the log of who did what",
		"UPDATE counts SET n = n + 1 WHERE what = 'outcome'":                                        "the counts of runs",
	} {
		t.Run(damage, func(t *testing.T) {
			t.Parallel()
			s := storetest.New(t)
			fillKept(t, s)
			k := &keptText{}
			k.read(t, s)
			store.Spoil(t, s, damage)
			k.compare(t, s, damage)
			found, err := s.Check(t.Context(), nil)
			must(t, err)
			if subject == nothing {
				if len(found.Findings) > 0 {
					t.Errorf("%+v", found.Findings)
				}
				return
			}
			named := false
			for _, f := range found.Findings {
				named = named || f.Subject == subject
			}
			if !named {
				t.Errorf("%+v do not name %s", found.Findings, subject)
			}
		})
	}
}

// TestLogIsOnlyAddedTo: the database itself refuses to change or take out a line.
func TestLogIsOnlyAddedTo(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	must(t, s.Log(t.Context(), store.Event{By: "ann", Action: "stop run", Subject: "x"}))
	for _, query := range []string{"DELETE FROM events", "UPDATE events SET by = 'bob'", "UPDATE events SET hash = NULL"} {
		if err := store.TrySpoil(s, query); err == nil {
			t.Errorf("%s was carried out", query)
		}
	}
}

// TestNoteMakesNoDamageGood: a change of a damaged run leaves it damaged.
func TestNoteMakesNoDamageGood(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	fillKept(t, s)
	store.Spoil(t, s, "UPDATE runs SET operator = 'nobody' WHERE id = 'run-2'")
	must(t, s.SetNote(t.Context(), "run-2", "looked at"))
	_, err := s.GetRun(t.Context(), "run-2")
	wantCode(t, err, store.Corrupt)
}

// TestOldRunsGetTheirSeals: what a program without seals has left is read as it
// is, sealed in the background, and guarded from then on.
func TestOldRunsGetTheirSeals(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	fillKept(t, s)
	k := &keptText{}
	k.read(t, s)
	store.ForgetSeals(t, s)
	before := k.compare(t, s, "without seals")
	must(t, s.SealOld(t.Context()))
	if unread := append(before, k.compare(t, s, "sealed")...); len(unread) > 0 {
		t.Errorf("%q cannot be read", unread)
	}
	if n := store.Unsealed(t, s); n != 0 {
		t.Errorf("%d rows are without a seal", n)
	}
	if found, err := s.Check(t.Context(), nil); err != nil || len(found.Findings) > 0 {
		t.Errorf("%+v, %v", found, err)
	}
	store.Spoil(t, s, "UPDATE results SET value = 4711, seal = NULL WHERE run = 1")
	if unread := k.compare(t, s, "damaged afterwards"); len(unread) != 1 {
		t.Errorf("%q cannot be read", unread)
	}
}

package store_test

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/lot"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

var (
	damages    = flag.Int("damages", 60, "how often TestNothingDamagedIsShownAsGood damages a database")
	damageSeed = flag.Uint64("damage-seed", 1, "which damages; 0: others each time, to look for what is not found yet")
)

// keptText is a lab that is damaged again and again, and what it said before.
type keptText struct {
	file   []byte
	rows   map[string]map[string]string // by run, the rows of its tables in SQL's own words
	heads  map[string]string
	runs   map[string]string // results with budgets, readings
	docs   map[string]string
	lines  []store.Event
	lines0 int               // lines of the log from before it was filled
	wide   map[string]string // by run, its row
}

// TestNothingDamagedIsShownAsGood: bits are flipped, pages swapped, taken out,
// replaced by older ones, and the file is cut short. Whatever the store still
// answers is what was stored, or says that it is damaged; a check names the
// damage; and a run whose rows are all there can be read, from what is salvaged
// where an index or a table of all runs is what is damaged.
func TestNothingDamagedIsShownAsGood(t *testing.T) { // not parallel: it sets the limit of all queries
	lab := keptLab(t)
	defer store.LimitQueries(30 * time.Second)()
	seed := *damageSeed
	if seed == 0 {
		seed = uint64(time.Now().UnixNano())
	}
	t.Logf("seed %d, a file of %d bytes", seed, len(lab.file))
	n := *damages
	if testing.Short() {
		n = min(n, 8)
	}
	var harmless, refused, named, mended int
	path := filepath.Join(storetest.Dir(t), "damaged.db")
	for i := range n {
		random := rand.New(rand.NewPCG(seed, uint64(i)))
		file := slices.Clone(lab.file)
		how := spoil(random, &file, lab.file)
		switch lab.after(t, path, file, fmt.Sprintf("damage %d (-damage-seed %d): %s", i, seed, how)) {
		case unharmed:
			harmless++
		case notOpened:
			refused++
		case bySalvage:
			mended++
			named++
		default:
			named++
		}
		if t.Failed() {
			return
		}
	}
	t.Logf("%d damages: %d changed nothing that is kept, %d files were refused, %d were named by the check, of which %d needed to be salvaged",
		n, harmless, refused, named, mended)
}

// spoil damages a file in one of the ways in which files are damaged.
func spoil(random *rand.Rand, file *[]byte, old []byte) string {
	const page = 4096
	b := *file
	pages := len(b) / page
	some := func() int { return (1 + random.IntN(pages-1)) * page } // not the first: that is refused at once
	switch random.IntN(8) {
	case 0, 1, 2:
		at := random.IntN(len(b))
		bit := random.IntN(8)
		b[at] ^= 1 << bit
		return fmt.Sprintf("bit %d of byte %d", bit, at)
	case 3:
		n := 2 + random.IntN(60)
		for range n {
			b[random.IntN(len(b))] ^= 1 << random.IntN(8)
		}
		return fmt.Sprintf("%d bits", n)
	case 4:
		p, q := some(), some()
		copy(b[p:p+page], old[q:q+page])
		copy(b[q:q+page], old[p:p+page])
		return fmt.Sprintf("pages %d and %d changed places", p/page+1, q/page+1)
	case 5:
		p := some()
		clear(b[p : p+page])
		return fmt.Sprintf("page %d is empty", p/page+1)
	case 6:
		p, q := some(), some()
		copy(b[p:p+page], old[q:q+page])
		return fmt.Sprintf("page %d is page %d", p/page+1, q/page+1)
	}
	*file = b[:random.IntN(len(b))]
	return fmt.Sprintf("cut to %d bytes", len(*file))
}

// keptLab makes a lab with everything in it that is kept.
func keptLab(t *testing.T) *keptText {
	path := storetest.Path(t)
	s, err := store.Open(t.Context(), path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	ctx := t.Context()
	fillKept(t, s)
	found, err := s.Check(ctx, nil)
	if err != nil || len(found.Findings) > 0 {
		t.Fatalf("%+v, %v", found, err)
	}
	k := &keptText{}
	k.read(t, s)
	k.rows = rawRows(t.Context(), s, k.ids())
	must(t, s.Close())
	k.file, err = os.ReadFile(path)
	must(t, err)
	return k
}

// fillKept puts some of everything that is kept into a lab.
func fillKept(t *testing.T, s *store.Store) {
	t.Helper()
	ctx := t.Context()
	for rev := range 3 {
		d := device("r-one")
		d.Description = strings.Repeat("as it was described ", 1+20*rev)
		_, err := s.SaveDevice(ctx, d, rev, "ann")
		must(t, err)
	}
	_, err := s.SaveBench(ctx, bench.Definition{Key: "b-one", Name: "Bench one", Contacts: 48, LineHz: 50}, 0, "ann")
	must(t, err)
	_, err = s.SaveProcedure(ctx, proc("r-check", "r-one"), 0, "ann")
	must(t, err)
	_, err = s.SavePinMap(ctx, bench.PinMap{Device: "r-one", Bench: "b-one", Contacts: map[int]int{1: 5, 2: 6}}, 0, "ann")
	must(t, err)
	must(t, s.SetSeating(ctx, "b-one", map[string]any{"model": "resistor"}, "ann"))
	must(t, s.SaveCheck(ctx, faultyCheck("check-1", "b-one", start)))
	_, err = s.SaveCorrections(ctx, store.BenchCorrections{Bench: "b-one", By: "ann", Why: "first", Body: someCorrections()}, 0)
	must(t, err)
	for i := range 8 {
		id := "run-" + itoa(i)
		r := record(id, "u"+itoa(i))
		r.Started = start.Add(time.Duration(i) * time.Hour)
		r.Acknowledged = []procedure.Finding{{Code: "settle", Message: "too short"}}
		if i%3 == 0 {
			r.Device.Description = "another state of it"
		}
		begin(t, s, r)
		b := batch(0, readings(0, 300+500*i, 1))
		for k := range 12 {
			x := result(k%2, "r"+itoa(k), 1+k%2, 100.5*float64(k+1)+float64(i))
			x.From, x.To, x.K = x.Value-1, x.Value+1, 1.96
			x.Budget = &procedure.Budget{DF: 9, Lines: []procedure.Line{{Name: "gain", Class: "B", Standard: 0.01, Share: 1}}}
			b.Results = append(b.Results, x)
		}
		appendAll(t, s, id, b)
		must(t, s.Finish(ctx, id, procedure.Ending{Status: procedure.Done, Outcome: derive.Pass, Ended: r.Started.Add(time.Minute)}))
		must(t, s.SetNote(ctx, id, "note of "+id))
		must(t, s.Log(ctx, store.Event{By: "ann", Action: "start run", Subject: id, Detail: strings.Repeat("x", 40*i)}))
	}
}

func (k *keptText) ids() (out []string) {
	for id := range k.heads {
		out = append(out, id)
	}
	slices.Sort(out)
	return out
}

// read takes in everything that the store says, as text by what it is of.
func (k *keptText) read(t *testing.T, s *store.Store) {
	k.heads, k.runs, k.docs, k.wide = map[string]string{}, map[string]string{}, map[string]string{}, map[string]string{}
	must(t, s.EachRun(t.Context(), store.Filter{}, func(r *store.RunRow) error {
		k.heads[r.ID] = asText(r)
		text, err := runText(t.Context(), s, r.ID)
		k.runs[r.ID] = text
		return err
	}))
	must(t, documents(t.Context(), s, func(name, text string, err error) {
		must(t, err)
		k.docs[name] = text
	}))
	var err error
	k.lines, err = s.Events(t.Context(), "", 0, 100)
	must(t, err)
	must(t, wideRows(t.Context(), s, k.wide))
	if len(k.heads) != 8 || len(k.lines) != 8+k.lines0 || len(k.docs) < 7 || len(k.wide) != 8 {
		t.Fatalf("%d runs, %d lines, %d documents, %d rows", len(k.heads), len(k.lines), len(k.docs), len(k.wide))
	}
}

func asText(v any) string {
	text, err := json.Marshal(v)
	if err != nil {
		return err.Error()
	}
	return string(text)
}

// runText is all that the store says of one run.
func runText(ctx context.Context, s *store.Store, id string) (string, error) {
	r, err := s.GetRun(ctx, id)
	if err != nil {
		return "", err
	}
	results, err := s.Budgets(ctx, id)
	if err != nil {
		return "", err
	}
	for i := range results {
		if results[i].Outcome == derive.Damaged || results[i].Budget == nil || results[i].Budget.Why != "" {
			return "", &store.Error{Code: store.Corrupt, Message: results[i].Note}
		}
	}
	var out strings.Builder
	out.WriteString(asText(r) + fmt.Sprintf("%+v", flat(results)))
	err = s.Readings(ctx, id, store.AllMeasurements, 0, func(first int64, c *store.Columns) error {
		fmt.Fprintln(&out, first, c.T, c.V, c.I, c.Set, c.Point, c.Flags, c.Pin)
		return nil
	})
	return out.String(), err
}

// flat is results without pointers.
func flat(results []procedure.Result) (out []any) {
	for i := range results {
		x := results[i]
		out = append(out, *x.Low, *x.Budget)
		x.Low, x.Budget = nil, nil
		out = append(out, x)
	}
	return out
}

// documents tells what the store says of each document and revision.
func documents(ctx context.Context, s *store.Store, tell func(name, text string, err error)) error {
	for rev := range 4 {
		d, err := s.GetDevice(ctx, "r-one", rev)
		tell("device "+itoa(rev), asText(d), err)
	}
	p, err := s.GetProcedure(ctx, "r-check", 0)
	tell("procedure", asText(p), err)
	b, err := s.GetBench(ctx, "b-one", 0)
	tell("bench", asText(b), err)
	m, err := s.GetPinMap(ctx, "r-one", "b-one", 0)
	tell("pin map", asText(m), err)
	g, err := s.GetSeating(ctx, "b-one")
	tell("seating", asText(g), err)
	c, err := s.GetCheck(ctx, "check-1")
	tell("bench check", asText(c), err)
	return nil
}

// wideRows is the wide table by run: what each cell says, by its column.
func wideRows(ctx context.Context, s *store.Store, into map[string]string) error {
	var columns []string
	return s.Wide(ctx, store.Filter{}, func(cols []lot.Column) error {
		for i := range cols {
			columns = append(columns, fmt.Sprintf("%+v", cols[i].Identity))
		}
		return nil
	}, func(r *store.WideRow) error {
		var cells []string
		for i, v := range r.Values {
			if !math.IsNaN(v) || r.Outcomes[i] != "" {
				cells = append(cells, fmt.Sprint(columns[i], v, r.From[i], r.To[i], r.Outcomes[i]))
			}
		}
		slices.Sort(cells)
		into[r.Run.ID] = strings.Join(cells, "\n")
		return nil
	})
}

// rawRows reads every row that belongs to a run by its number in the file, past
// the store's own ways and indexes; an error for one that cannot be read.
func rawRows(ctx context.Context, s *store.Store, ids []string) map[string]map[string]string {
	out := map[string]map[string]string{}
	for i, id := range ids {
		rows := map[string]string{}
		add := func(table, where string) { rows[table] = store.RawRows(ctx, s, table, where) }
		add("runs", fmt.Sprint("seq = ", i+1))
		// Twelve results a run, one chunk for each 1,024 readings: their numbers follow.
		add("results", fmt.Sprintf("id > %d AND id <= %d", i*12, i*12+12))
		add("budgets", fmt.Sprintf("result > %d AND result <= %d", i*12, i*12+12))
		add("acknowledged", fmt.Sprint("rowid = ", i+1))
		first := 1
		for k := range i {
			first += (300 + 500*k + 1023) / 1024
		}
		last := first + (300+500*i+1023)/1024
		add("chunks", fmt.Sprintf("id >= %d AND id < %d", first, last))
		add("chunk_data", fmt.Sprintf("chunk >= %d AND chunk < %d", first, last))
		for _, all := range []string{"confirmed", "traffic", "snapshots"} {
			add(all, "TRUE")
		}
		out[id] = rows
	}
	return out
}

type harm int

const (
	unharmed harm = iota
	notOpened
	byName
	bySalvage
)

// after opens a damaged file, and holds what it says against what it said.
func (k *keptText) after(t *testing.T, path string, file []byte, how string) harm {
	must(t, os.WriteFile(path, file, 0o600))
	defer func() {
		for _, end := range []string{"", "-wal", "-shm"} {
			_ = os.Remove(path + end)
		}
	}()
	if len(file) == 0 {
		return notOpened // the program says so at its start
	}
	s, err := store.Open(t.Context(), path, store.Options{})
	if err != nil {
		return notOpened
	}
	defer func() { _ = s.Close() }() // again, where it was
	unread := k.compare(t, s, how)
	checked, err := s.Check(t.Context(), nil)
	if err != nil {
		t.Errorf("%s: the check ended: %v", how, err)
		return byName
	}
	if len(unread) > 0 && len(checked.Findings) == 0 {
		t.Errorf("%s: %q cannot be read, and the check finds nothing", how, unread)
	}
	if len(checked.Findings) == 0 {
		return unharmed
	}
	raw := rawRows(t.Context(), s, k.ids())
	var lost []string
	for _, id := range unread {
		if raw[id] != nil && reflect.DeepEqual(raw[id], k.rows[id]) {
			lost = append(lost, id)
		}
	}
	if len(lost) == 0 {
		return byName
	}
	must(t, s.Close())
	salvaged := path + "-salvaged"
	defer os.Remove(salvaged)
	if _, err := store.Salvage(t.Context(), path, salvaged); err != nil {
		t.Errorf("%s: %v", how, err)
		return byName
	}
	again, err := store.Open(t.Context(), salvaged, store.Options{})
	must(t, err)
	defer func() { must(t, again.Close()) }()
	for _, id := range k.compare(t, again, how+", salvaged") {
		if slices.Contains(lost, id) {
			_, err := runText(t.Context(), again, id)
			t.Errorf("%s: all rows of %s are there, and it cannot be read: %v: %.2000v", how, id, err, checked.Findings)
		}
	}
	return bySalvage
}

// compare holds everything that a store answers against what it answered before
// the damage, and returns the runs that are not wholly answered.
func (k *keptText) compare(t *testing.T, s *store.Store, how string) (unread []string) {
	ctx := t.Context()
	_ = s.EachRun(ctx, store.Filter{}, func(r *store.RunRow) error {
		if want := k.heads[r.ID]; r.Status != procedure.Damaged && asText(r) != want {
			t.Errorf("%s: the list shows as good\n%s, was\n%s", how, asText(r), want)
		}
		return nil
	})
	for id, want := range k.runs {
		got, err := runText(ctx, s, id)
		if err != nil {
			unread = append(unread, id)
		} else if got != want {
			t.Errorf("%s: %s is shown as good:\n%.3000s\nwas\n%.3000s", how, id, got, want)
		}
	}
	_ = documents(ctx, s, func(name, got string, err error) {
		if err == nil && got != k.docs[name] {
			t.Errorf("%s: %s is shown as good: %s", how, name, got)
		}
	})
	lines, _ := s.Events(ctx, "", 0, 100)
	for _, e := range lines {
		if !e.Broken && !slices.ContainsFunc(k.lines, func(was store.Event) bool { return asText(was) == asText(e) }) {
			t.Errorf("%s: a line of the log is shown as good: %+v", how, e)
		}
	}
	rows := map[string]string{}
	_ = wideRows(ctx, s, rows)
	for id, got := range rows {
		if got != k.wide[id] && !strings.Contains(got, string(derive.Damaged)) {
			t.Errorf("%s: the wide table shows as good of %s:\n%s\nwas\n%s", how, id, got, k.wide[id])
		}
		for line := range strings.SplitSeq(got, "\n") {
			if line != "" && !strings.Contains(line, string(derive.Damaged)) && !strings.Contains(k.wide[id], line) {
				t.Errorf("%s: the wide table shows as good of %s: %s", how, id, line)
			}
		}
	}
	return unread
}

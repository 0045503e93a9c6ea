package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"ohmkeep/server/bundle"
	"ohmkeep/server/procedure"
	"ohmkeep/server/turn"
)

// Choice is what goes into a bundle. A run brings the documents that it was made
// with, a device its procedures and pin maps, a procedure its device, a pin map
// its device and its bench; every document comes with all its revisions.
type Choice struct {
	All        bool // everything; the rest is not looked at
	Devices    []string
	Procedures []string
	Benches    []string
	Runs       []string
	History    *Filter // all runs that it picks; nil: none
}

// Empty reports whether nothing is chosen.
func (c *Choice) Empty() bool {
	return !c.All && c.History == nil && len(c.Devices)+len(c.Procedures)+len(c.Benches)+len(c.Runs) == 0
}

// Words says what is chosen; "everything" where nothing is.
func (c *Choice) Words() string {
	var out []string
	for _, chosen := range []struct {
		one  string
		keys []string
	}{{"device", c.Devices}, {"procedure", c.Procedures}, {"bench", c.Benches}, {"run", c.Runs}} {
		switch n := len(chosen.keys); {
		case n == 1:
			out = append(out, chosen.one+" "+chosen.keys[0])
		case n > 1:
			out = append(out, fmt.Sprintf("%d of the kind %s", n, chosen.one))
		}
	}
	if c.History != nil {
		out = append(out, "runs of the history"+c.History.words())
	}
	if len(out) == 0 {
		return "everything"
	}
	return strings.Join(out, ", ")
}

// words says what a filter picks by.
func (f *Filter) words() string {
	text := ""
	for _, c := range []struct{ name, value string }{{"device", f.Device}, {"procedure", f.Procedure}, {"unit", f.Serial}, {"lot", f.Lot},
		{"outcome", string(f.Outcome)}, {"status", string(f.Status)}, {"with the text", f.Text}} {
		if c.value != "" {
			text += ", " + c.name + " " + c.value
		}
	}
	return text
}

// BundleSource says where a bundle is made.
type BundleSource struct {
	Server  string // the server's public address, or what else it calls itself
	By      string // person
	Program string // version
	Choice  string // what was chosen, in words
}

// Exported is what went into a bundle.
type Exported struct {
	Documents int       `json:"documents"`
	Runs      int       `json:"runs"`
	Results   int64     `json:"results"`
	Readings  int64     `json:"readings"`
	LeftOut   []LeftOut `json:"leftOut"`
	Sum       string    `json:"sum"` // SHA-256 that names the file by its content
}

// leftOutMost is the number of things left out that a bundle lists one by one.
const leftOutMost = 10_000

// exporter is an export at work.
type exporter struct {
	store *Store
	to    *bundle.Writer
	out   Exported
	more  int
}

// Export writes a bundle. What is chosen and is not there is NotFound, before
// anything is written. Runs at work, and what is damaged, are left out, and said.
// It works as a report, and its memory does not grow with the length of runs.
func (s *Store) Export(ctx context.Context, w io.Writer, c Choice, from BundleSource) (*Exported, error) {
	e := &exporter{store: s}
	picked, err := e.pick(ctx, c)
	if err != nil {
		return nil, wrap("export", err)
	}
	e.to, err = bundle.NewWriter(w, bundle.Header{Made: s.now().UTC(), Server: from.Server, By: from.By, Program: from.Program, Choice: from.Choice})
	if err == nil {
		err = e.documents(ctx, picked)
	}
	for _, id := range slices.Backward(picked.runs) { // the oldest first
		if err == nil {
			err = e.run(ctx, id)
		}
	}
	if err != nil {
		return nil, wrap("export", err)
	}
	if e.more > 0 {
		e.out.LeftOut = append(e.out.LeftOut, LeftOut{fmt.Sprintf("%d more", e.more), "for reasons such as these"})
	}
	body, err := json.MarshalIndent(bundleContents{e.out.Documents, e.out.Runs, e.out.Results, e.out.Readings, e.out.LeftOut}, "", "  ")
	if err = errors.Join(err, e.to.Part(contentsName, append(body, '\n'))); err == nil {
		err = e.to.Close()
	}
	e.out.Sum = e.to.Sum()
	return &e.out, err
}

// leaveOut notes that something is not in the bundle.
func (e *exporter) leaveOut(what, why string) {
	if len(e.out.LeftOut) >= leftOutMost {
		e.more++
		return
	}
	e.out.LeftOut = append(e.out.LeftOut, LeftOut{what, why})
}

// leaveDamage leaves something out where the error is damage; every other error
// ends the export.
func (e *exporter) leaveDamage(what string, err error) error {
	if isDamage(err) {
		e.leaveOut(what, "it is damaged: what the disk has is not what was stored")
		return nil
	}
	return err
}

// run writes a run, once all of it was read and is whole.
func (e *exporter) run(ctx context.Context, id string) error {
	what := "run " + id
	ctx = From(ctx, Pages) // its queries are short, and have a limit
	v := &contentVisitor{sum: newRunContent()}
	err := e.store.readRun(ctx, id, v)
	switch {
	case CodeOf(err) == NotFound:
		e.leaveOut(what, "it has been deleted meanwhile")
		return nil
	case CodeOf(err) == Conflict:
		e.leaveOut(what, "it is at work")
		return nil
	case err != nil:
		return e.leaveDamage(what, err)
	}
	e.out.Runs++
	w := newRunWriter(e.to, e.out.Runs)
	if err := e.store.readRun(ctx, id, w); err != nil {
		return err
	}
	e.out.Results += v.results
	e.out.Readings += v.readings
	return errors.Join(w.endRun(), turn.Pass(ctx))
}

// runWriter writes a run into a bundle.
type runWriter struct {
	contentVisitor // for what runs have not
	to             *bundle.Writer
	n              int
	results        lineBlock
	readings       []byte
	blocks         int
}

func newRunWriter(to *bundle.Writer, n int) *runWriter {
	return &runWriter{to: to, n: n, results: lineBlock{name: func(block int) string { return resultsPart(n, block) }, write: to.Part}}
}

func (w *runWriter) run(h *runHead) error {
	body, err := json.MarshalIndent(h, "", " ")
	if err != nil {
		return err
	}
	return w.to.Part(runPart(w.n, "head.json"), append(body, '\n'))
}

func (w *runWriter) result(x *bundledResult) error { return w.results.add(x) }

func (w *runWriter) chunk(k bundledChunk) error {
	if err := w.results.flush(); err != nil {
		return err
	}
	w.readings = appendBundled(w.readings, k.measurement, k.first, k.data)
	if len(w.readings) < blockBytes {
		return nil
	}
	return w.flush()
}

func (w *runWriter) flush() error {
	if len(w.readings) == 0 {
		return nil
	}
	w.blocks++
	err := w.to.Part(readingsPart(w.n, w.blocks), w.readings)
	w.readings = w.readings[:0]
	return err
}

func (w *runWriter) traffic(packed []byte) error {
	if err := errors.Join(w.results.flush(), w.flush()); err != nil {
		return err
	}
	return w.to.Part(runPart(w.n, "traffic.gz"), packed)
}

func (w *runWriter) endRun() error { return errors.Join(w.results.flush(), w.flush()) }

// pickedParts is what a choice comes to: keys of documents by kind, in the order
// in which they are written, and runs, newest first.
type pickedParts struct {
	keys map[string][]string // by kind
	seen map[string]bool     // "kind key"
	runs []string
}

func (p *pickedParts) add(kind, key string) (isNew bool) {
	if key == "" || p.seen[kind+" "+key] {
		return false
	}
	p.seen[kind+" "+key] = true
	p.keys[kind] = append(p.keys[kind], key)
	return true
}

// pick works out what a choice comes to.
func (e *exporter) pick(ctx context.Context, c Choice) (*pickedParts, error) {
	p := &pickedParts{keys: map[string][]string{}, seen: map[string]bool{}}
	if c.All {
		c = Choice{History: &Filter{}}
		for i := range bundledKinds {
			if err := e.keysOf(ctx, &bundledKinds[i], "TRUE", nil, p); err != nil {
				return nil, err
			}
		}
	}
	for i, keys := range [][]string{c.Devices, c.Benches, c.Procedures} {
		for _, key := range keys {
			k := &bundledKinds[i]
			if err := e.keysOf(ctx, k, "key = ?", []any{key}, p); err != nil {
				return nil, err
			}
			if !p.seen[k.name+" "+key] {
				return nil, errorf(NotFound, "There is no %s %s.", k.name, key)
			}
		}
	}
	if err := e.ofDevices(ctx, c.Devices, p); err != nil {
		return nil, err
	}
	if err := e.pickRuns(ctx, c, p); err != nil {
		return nil, err
	}
	return p, e.withTheirs(ctx, p)
}

// keysOf adds the keys of documents of a kind.
func (e *exporter) keysOf(ctx context.Context, k *bundledKind, where string, args []any, p *pickedParts) error {
	return e.store.rows(ctx, "SELECT key FROM "+k.heads+" WHERE "+where+" ORDER BY key", args, func(r *sql.Rows) error {
		var key string
		err := r.Scan(&key)
		p.add(k.name, key)
		return err
	})
}

// ofDevices adds the procedures and pin maps of devices that were chosen.
func (e *exporter) ofDevices(ctx context.Context, devices []string, p *pickedParts) error {
	for _, key := range devices {
		for i := range bundledKinds {
			if k := &bundledKinds[i]; slices.Contains(k.columns, "device") {
				if err := e.keysOf(ctx, k, "device = ? AND removed IS NULL", []any{key}, p); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// pickRuns adds the runs of a choice and the documents that they were made with.
func (e *exporter) pickRuns(ctx context.Context, c Choice, p *pickedParts) error {
	chosen := map[string]bool{}
	take := func(r *RunRow) {
		if chosen[r.ID] {
			return
		}
		chosen[r.ID] = true
		p.runs = append(p.runs, r.ID)
		p.add("device", r.Device)
		p.add("bench", r.Bench)
		p.add("procedure", r.Procedure)
		if r.Device != "" && r.Bench != "" {
			p.add("pin map", pinMapKey(r.Device, r.Bench))
		}
	}
	for _, id := range c.Runs {
		row, err := e.store.runRow(ctx, id)
		if err != nil {
			return err
		}
		take(row)
	}
	if c.History == nil {
		return nil
	}
	found := false
	err := e.store.EachRun(ctx, *c.History, func(r *RunRow) error {
		found = true
		take(r)
		return nil
	})
	if err == nil && !found && *c.History != (Filter{}) {
		err = errorf(NotFound, "there are no %s", c.Words())
	}
	return err
}

// withTheirs adds the documents that those refer to which are picked already.
func (e *exporter) withTheirs(ctx context.Context, p *pickedParts) error {
	for _, name := range []string{"procedure", "pin map"} {
		k := kindNamed(name)
		for _, key := range p.keys[name] {
			err := e.store.rows(ctx, "SELECT device"+map[string]string{"procedure": ", ''", "pin map": ", bench"}[name]+" FROM "+k.heads+" WHERE key = ?", []any{key},
				func(r *sql.Rows) error {
					var device, benchKey string
					err := r.Scan(&device, &benchKey)
					p.add("device", device)
					p.add("bench", benchKey)
					return err
				})
			if err := e.leaveDamage(name+" "+key, err); err != nil {
				return err
			}
		}
	}
	return nil
}

// runRow returns a run as lists have it.
func (s *Store) runRow(ctx context.Context, id string) (*RunRow, error) {
	var out *RunRow
	scan := runScanner()
	err := s.rows(ctx, "SELECT "+selectRow+" FROM runs WHERE runs.id = ? AND "+notDeleting, []any{id}, func(r *sql.Rows) error {
		row, err := scan(r)
		out = &row
		return err
	})
	if err == nil && out == nil {
		err = errorf(NotFound, "there is no run %s", id)
	}
	if err == nil && out.Status == procedure.Damaged {
		out.Device = "" // nothing of it is known
	}
	return out, err
}

package store

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"io"

	"github.com/google/uuid"

	"ohmkeep/server/bundle"
	"ohmkeep/server/procedure"
)

// Import brings in what a bundle holds and is not here yet, for a person, all of
// it or nothing, and says what became of everything. The file is read twice, and
// what it has of documents a third time: whole, before anything is written, then
// to store it.
//
// Runs are stored block by block, so that a run at work never waits for long,
// under a number of their own and marked as if they were being deleted: nothing
// finds or counts them, and where the program is killed, its next start deletes
// them. One transaction at the end stores the documents, gives the runs their
// numbers, takes the marks off and writes the line of the log.
func (s *Store) Import(ctx context.Context, file io.ReadSeeker, by string, o ImportOptions) (*Imported, error) {
	plan, err := s.planBundle(ctx, file, o)
	if err != nil || !plan.report.Changes() {
		if err != nil {
			return nil, err
		}
		return &plan.report, nil
	}
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	t := &taker{ctx: ctx, store: s, plan: plan, by: by, at: s.now().UTC()}
	err = t.stage(file)
	if err == nil {
		err = t.commit(file)
	}
	if err != nil {
		if t.cleared() {
			err = errCleared
		}
		return nil, errors.Join(wrap("import", err), t.takeBack())
	}
	return &plan.report, nil
}

// errCleared is why an import failed whose runs a start of the server deleted: to it
// they looked like those of an import that was killed.
var errCleared = errorf(Conflict, "Nothing was imported: the server was started meanwhile, and cleared away what had come so far. Import the file again.")

// cleared reports whether runs that were stored, and have not arrived, are gone.
func (t *taker) cleared() bool {
	for _, r := range t.staged[:t.kept] {
		var marked bool
		err := t.store.write.QueryRowContext(context.WithoutCancel(t.ctx), "SELECT EXISTS (SELECT 1 FROM runs JOIN deleting ON run = seq WHERE seq = ? AND id = ?)", r.seq, r.staged).Scan(&marked)
		if err == nil && !marked {
			return true
		}
	}
	return false
}

// stage stores all runs that are to come, marked.
func (t *taker) stage(file io.Reader) error {
	r, err := bundle.NewReader(file)
	if err != nil {
		return err
	}
	scan := bundleScan{from: r, to: t}
	if _, err = scan.scan(); err == nil {
		err = t.flush()
	}
	if err == nil && (r.Sum() != t.plan.sum || t.n != len(t.plan.runs)) {
		err = errFileChanged
	}
	return err
}

// commit makes everything count, in one transaction.
func (t *taker) commit(file io.ReadSeeker) error {
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return err
	}
	return t.store.update(t.ctx, "import", func(w *tx) error {
		// The number of a run, by which others refer to it, changes with theirs.
		if _, err := w.exec("PRAGMA defer_foreign_keys = 1"); err != nil {
			return err
		}
		if err := t.documents(w, file); err != nil {
			return err
		}
		for i := range t.staged {
			if err := t.arrive(w, &t.staged[i]); err != nil {
				return err
			}
		}
		r := &t.plan.report
		return logEvent(w, &Event{By: t.by, Action: "import", Subject: "file " + r.Sum[:16], Detail: "from " + r.Server + ": " + r.Words()})
	})
}

// errDocumentsEnd ends the reading of the documents.
var errDocumentsEnd = errors.New("the documents are over")

// documents writes the documents that are to come. The file's first part is read
// again for it.
func (t *taker) documents(w *tx, file io.Reader) error {
	for _, d := range t.plan.order {
		var latest int
		if err := w.row("SELECT coalesce(max(rev), 0) FROM "+d.kind.heads+" WHERE key = ?", d.as).Scan(&latest); err != nil {
			return err
		}
		if d.fate != FateRefused && latest != d.latest {
			return changedMeanwhile(d.kind.name + " " + d.as)
		}
	}
	r, err := bundle.NewReader(file)
	if err != nil {
		return err
	}
	v := &documentWriter{tx: w, plan: t.plan, at: -1}
	scan := bundleScan{from: r, to: v}
	if _, err := scan.scan(); err != nil && !errors.Is(err, errDocumentsEnd) {
		return err
	}
	if v.at+1 != len(t.plan.order) {
		return errFileChanged
	}
	return t.bringBack(w)
}

// bringBack takes the mark of deletion off documents that are brought back.
func (t *taker) bringBack(w *tx) error {
	for _, d := range t.plan.order {
		if !d.back || d.deleted == 0 {
			continue
		}
		_, err := w.exec("UPDATE "+d.kind.heads+" SET removed = NULL, seal = "+resealSQL(d.kind.heads, map[string]string{"removed": "NULL"})+" WHERE key = ?", d.as)
		if err != nil {
			return err
		}
	}
	return nil
}

// documentWriter writes documents by their plans.
type documentWriter struct {
	contentVisitor // for runs, which it does not come to
	tx             *tx
	plan           *bundlePlan
	at, n          int
}

func (v *documentWriter) document(head documentHead) error {
	v.at, v.n = v.at+1, 0
	if v.at >= len(v.plan.order) || v.plan.order[v.at].key != head.Key || v.plan.order[v.at].kind.name != head.Kind {
		return errFileChanged
	}
	return nil
}

func (v *documentWriter) run(*runHead) error { return errDocumentsEnd }

func (v *documentWriter) revision(r *documentRevision) error {
	d := v.plan.order[v.at]
	i := v.n
	if v.n++; i >= len(d.revs) || d.revs[i] != r.Rev {
		return errFileChanged
	}
	if !d.writes() || r.Rev <= d.after {
		return nil
	}
	doc, err := d.kind.canonical(r.Body, v.plan.documents.refer)
	if err != nil {
		return err
	}
	if sha256.Sum256([]byte(doc.text)) != d.sums[i] {
		return errFileChanged
	}
	doc, err = d.kind.canonical(r.Body, func(key, name, device, bench *string) {
		v.plan.documents.refer(key, name, device, bench)
		d.called(key, name, device, bench)
	})
	if err != nil {
		return err
	}
	return v.write(d, doc, r)
}

// write stores a revision, and makes it the document's latest.
func (v *documentWriter) write(d *documentPlan, doc *canonicalDocument, r *documentRevision) error {
	w, k := v.tx, d.kind
	removed := d.removed && d.latest == 0
	if d.latest > 0 {
		if err := w.row("SELECT removed IS NOT NULL FROM "+k.heads+" WHERE key = ?", d.as).Scan(&removed); err != nil {
			return err
		}
	}
	err := saveHead(w, k.heads, k.columns, doc.key, doc.name, r.Rev, doc.values)
	if err == nil && removed {
		_, err = w.exec("UPDATE "+k.heads+" SET removed = ? WHERE key = ?", w.at, doc.key)
		err = errors.Join(err, sealRows(w, k.heads, "key = ?", doc.key))
	}
	if err != nil {
		return err
	}
	_, err = w.exec("INSERT INTO "+k.revisions+" (key, rev, at, by, body) VALUES (?, ?, ?, ?, ?)", doc.key, r.Rev, r.At.UnixNano(), r.By, doc.text)
	return errors.Join(err, sealRows(w, k.revisions, "key = ? AND rev = ?", doc.key, r.Rev))
}

// arrive gives a run that is stored its number, its unit and its revisions, and
// takes the mark off: from now on it is found and counted.
func (t *taker) arrive(w *tx, r *stagedRun) error {
	unit, err := touchUnit(w, r.device, r.unit)
	if err != nil {
		return err
	}
	n, err := w.exec("UPDATE runs SET id = ?, unit = ?, device_rev = ?, procedure_rev = ? WHERE seq = ? AND EXISTS (SELECT 1 FROM deleting WHERE run = seq)",
		r.id, unit, orNull(r.deviceRev), orNull(r.procedureRev), r.seq)
	if CodeOf(wrap("", err)) == Conflict || err == nil && n == 0 {
		return changedMeanwhile("run " + r.id)
	}
	if err == nil {
		err = sealRows(w, "runs", "seq = ?", r.seq)
	}
	for _, table := range []string{"acknowledged", "confirmed", "traffic"} {
		if err == nil {
			_, err = w.exec("UPDATE "+table+" SET run = ? WHERE run = ?", r.id, r.staged)
			err = errors.Join(err, sealRows(w, table, "run = ?", r.id))
		}
	}
	if err == nil {
		_, err = w.exec("DELETE FROM deleting WHERE run = ?", r.seq)
	}
	return err
}

// takeBack deletes what was stored of runs that do not come. A number whose
// transaction did not come to its end may be another run's by now.
func (t *taker) takeBack() (err error) {
	ctx := context.WithoutCancel(t.ctx)
	for _, r := range t.staged {
		var ours bool
		e := t.store.write.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM runs JOIN deleting ON run = seq WHERE seq = ? AND id = ?)", r.seq, r.staged).Scan(&ours)
		if e == nil && ours {
			e = t.store.deleteMarked(ctx, r.seq)
		}
		err = errors.Join(err, e)
	}
	return err
}

// newOrigin is the way on which runs come with this import.
func (t *taker) newOrigin(id string) procedure.Brought {
	h := &t.plan.header
	return procedure.Brought{Server: h.Server, Run: id, File: t.plan.sum, Exported: h.Made, ExportedBy: h.By, Brought: t.at, BroughtBy: t.by}
}

// keepOrigins stores where a run is from.
func keepOrigins(w *tx, seq int64, origins []procedure.Brought) error {
	body, err := json.Marshal(origins)
	if err != nil {
		return err
	}
	_, err = w.exec("INSERT INTO origins (run, body) VALUES (?, ?)", seq, string(body))
	return errors.Join(err, sealRows(w, "origins", "run = ?", seq))
}

// stagedID is a number for a run that has not arrived.
func stagedID() (string, error) {
	id, err := uuid.NewV7()
	return "arriving-" + id.String(), err
}

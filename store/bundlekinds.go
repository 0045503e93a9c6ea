package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"slices"
	"strconv"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/turn"
)

// bundledKind is one kind of document as bundles carry it.
type bundledKind struct {
	name             string
	heads, revisions string
	columns          []string
	// canonical reads a document's body, has rename change it where that is not
	// nil, and writes it as this program does.
	canonical func(body []byte, rename func(key, name, device, bench *string)) (*canonicalDocument, error)
}

// canonicalDocument is a document as this program writes it.
type canonicalDocument struct {
	key, name string
	columns   []string
	values    []any // of columns
	text      string
	check     func() error // that it may be stored
}

// bundledKinds are all kinds, those that others refer to first.
var bundledKinds = [...]bundledKind{
	kindOf(devices, func(d *dut.Device) (*string, *string, *string, *string) { return &d.Key, &d.Name, nil, nil }, nil),
	kindOf(benches, func(b *bench.Definition) (*string, *string, *string, *string) { return &b.Key, &b.Name, nil, nil },
		func(b *bench.Definition) error { return b.Check().Err() }),
	kindOf(procedures, func(p *procedure.Procedure) (*string, *string, *string, *string) {
		return &p.Key, &p.Name, &p.Device, nil
	}, usableProcedure),
	kindOf(pinMaps, func(m *bench.PinMap) (*string, *string, *string, *string) { return nil, nil, &m.Device, &m.Bench }, nil),
}

// kindNamed returns the kind of a name; nil where there is none.
func kindNamed(name string) *bundledKind {
	i := slices.IndexFunc(bundledKinds[:], func(k bundledKind) bool { return k.name == name })
	if i < 0 {
		return nil
	}
	return &bundledKinds[i]
}

// kindOf is a kind of document whose names parts finds; check is what it must be
// like beside what the store asks of it.
func kindOf[T any](n *documentKind[T], parts func(*T) (key, name, device, bench *string), check func(*T) error) bundledKind {
	return bundledKind{name: n.name, heads: n.heads, revisions: n.revisions, columns: n.columns,
		canonical: func(body []byte, rename func(key, name, device, bench *string)) (*canonicalDocument, error) {
			doc := new(T)
			if err := strictJSON(body, doc); err != nil {
				return nil, err
			}
			if rename != nil {
				rename(parts(doc))
			}
			text, err := json.Marshal(doc)
			if err != nil {
				return nil, err
			}
			out := &canonicalDocument{text: string(text), columns: n.columns}
			out.key, out.name, out.values = n.head(doc)
			out.check = func() error {
				err := errors.Join(n.check(doc), textsOf(text))
				if err == nil && check != nil {
					err = check(doc)
				}
				return err
			}
			return out, nil
		}}
}

// usableProcedure refuses a procedure that no page could show: it need not make
// sense yet.
func usableProcedure(p *procedure.Procedure) error {
	if n := len(p.Measurements); n > procedure.MaxMeasurements {
		return errorf(Invalid, "it has %d measurements; at most %d fit", n, procedure.MaxMeasurements)
	}
	for _, m := range p.Measurements {
		if _, known := procedure.KindByKey(m.Kind); !known {
			return errorf(Invalid, "this program knows no measurement of the kind %q", m.Kind)
		}
	}
	return nil
}

// documents writes the documents that were picked.
func (e *exporter) documents(ctx context.Context, p *pickedParts) error {
	for i := range bundledKinds {
		k := &bundledKinds[i]
		for _, key := range p.keys[k.name] {
			if err := e.document(ctx, k, key); err != nil {
				return err
			}
			if err := turn.Pass(ctx); err != nil {
				return err
			}
		}
	}
	return nil
}

// document writes a document with its revisions, the oldest first. One that was
// never stored, such as that of a run kept by hand, is not written.
func (e *exporter) document(ctx context.Context, k *bundledKind, key string) error {
	what := k.name + " " + key
	var revs []int
	head := documentHead{Kind: k.name, Key: key}
	sound := false
	err := e.store.rows(ctx, "SELECT h.removed IS NOT NULL, "+soundAs(k.heads, "h")+", r.rev FROM "+k.heads+" h JOIN "+k.revisions+" r USING (key) WHERE key = ? ORDER BY r.rev",
		[]any{key}, func(r *sql.Rows) error {
			var rev int
			err := r.Scan(&head.Removed, &sound, &rev)
			revs = append(revs, rev)
			return err
		})
	if err == nil && len(revs) > 0 && !sound {
		err = errUnsound
	}
	if err != nil || len(revs) == 0 {
		return e.leaveDamage(what, err)
	}
	n := e.out.Documents + 1
	lines := lineBlock{name: func(block int) string { return revisionsPart(n, block) }, write: e.to.Part}
	for _, rev := range revs {
		r, err := e.store.revisionOf(ctx, k, key, rev)
		if isDamage(err) {
			e.leaveOut(what+", revision "+strconv.Itoa(rev), "it is damaged: what the disk has is not what was stored")
			continue
		}
		if err != nil {
			return err
		}
		if e.out.Documents < n { // the first that can be read
			e.out.Documents = n
			body, err := json.Marshal(head)
			if err = errors.Join(err, e.to.Part(documentPart(n), append(body, '\n'))); err != nil {
				return err
			}
		}
		if err := lines.add(r); err != nil {
			return err
		}
	}
	return lines.flush()
}

// revisionOf reads a revision as a bundle has it: as this program writes it.
func (s *Store) revisionOf(ctx context.Context, k *bundledKind, key string, rev int) (*documentRevision, error) {
	out := &documentRevision{Rev: rev}
	var at int64
	var body string
	var sound bool
	err := s.reader(ctx).QueryRowContext(ctx, "SELECT r.at, r.by, r.body, "+soundAs(k.revisions, "r")+" FROM "+k.revisions+" r WHERE r.key = ? AND r.rev = ?", key, rev).
		Scan(&at, &out.By, &body, &sound)
	if err == nil && !sound {
		err = errUnsound
	}
	if err != nil {
		return nil, err
	}
	doc, err := k.canonical([]byte(body), nil)
	if err != nil {
		return nil, err
	}
	out.At, out.Body = timeOf(at), json.RawMessage(doc.text)
	return out, nil
}

package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
)

// textSum is the SHA-256 of a revision as this program writes it.
type textSum [sha256.Size]byte

// ofProgram is the key of the bench that is part of the program: there is one on
// every server, and none takes the place of another.
const ofProgram = "rehearsal"

// documentPlan is what becomes of a document of a bundle here.
type documentPlan struct {
	kind    *bundledKind
	key     string // in the file
	removed bool   // in the file
	fate    Fate
	why     string
	as      string      // key here
	suffix  string      // behind its name here; "" where it keeps its name
	after   int         // revisions after this one are written
	latest  int         // the latest here when the plan was made; 0: there is none
	deleted int64       // when it was deleted here, Unix nanoseconds; 0: it was not
	back    bool        // it is brought back then
	revs    []int       // in the file, rising
	sums    []textSum   // of those, with references as they are here
	here    map[int]int // revision here of each in the file; 0 or none: it is not here
}

// documentsPlan are the plans of all documents of a bundle, by kind and key.
type documentsPlan map[string]*documentPlan

func (p documentsPlan) of(kind, key string) *documentPlan { return p[kind+" "+key] }

// keyHere returns the key of a document here, and what stands behind its name.
// One that is not in the file keeps its key.
func (p documentsPlan) keyHere(kind, key string) (as, suffix string) {
	if d := p.of(kind, key); d != nil && d.as != "" {
		return d.as, d.suffix
	}
	return key, ""
}

// revHere returns the revision here of one in the file; 0 where it is not here.
func (p documentsPlan) revHere(kind, key string, rev int) int {
	if d := p.of(kind, key); d != nil && d.fate != FateRefused {
		return d.here[rev]
	}
	return 0
}

// refer has a document refer to others by their keys here.
func (p documentsPlan) refer(_, _, device, bench *string) {
	if device != nil {
		*device, _ = p.keyHere("device", *device)
	}
	if bench != nil {
		*bench, _ = p.keyHere("bench", *bench)
	}
}

// called gives a document its key and name here, after refer.
func (d *documentPlan) called(key, name, _, _ *string) {
	if key != nil && d.suffix != "" {
		*key, *name = d.as, nameHere(*name, d.suffix)
	}
}

// nameHere is the name of a document that another one here already has the key of.
func nameHere(name, suffix string) string {
	const most = 120
	end := " (" + suffix + ")"
	if runes := []rune(name); len(runes)+len(end) > most {
		name = string(runes[:most-len(end)])
	}
	return name + end
}

// local are the revisions of a document here.
type local struct {
	latest  int
	deleted int64 // when it was deleted; 0: it was not
	sums    map[int]textSum
}

// localOf reads the revisions of a document here that is called as, as if it were
// called key there. Damaged ones count as others.
func (s *Store) localOf(ctx context.Context, q querier, k *bundledKind, as, key, suffix string) (*local, error) {
	out := &local{sums: map[int]textSum{}}
	err := each(ctx, q, "SELECT h.rev, coalesce(h.removed, 0), r.rev, r.body, "+soundAs(k.heads, "h")+" AND "+soundAs(k.revisions, "r")+
		" FROM "+k.heads+" h JOIN "+k.revisions+" r USING (key) WHERE key = ?", []any{as}, func(r *sql.Rows) error {
		var rev int
		var body string
		var sound bool
		if err := r.Scan(&out.latest, &out.deleted, &rev, &body, &sound); err != nil {
			return err
		}
		doc, err := k.canonical([]byte(body), func(ownKey, name, _, _ *string) {
			if ownKey != nil && suffix != "" && *ownKey == as {
				*ownKey, *name = key, strings.TrimSuffix(*name, " ("+suffix+")")
			}
		})
		if err != nil || !sound {
			out.sums[rev] = textSum{} // like no other
			return nil
		}
		out.sums[rev] = sha256.Sum256([]byte(doc.text))
		return nil
	})
	return out, err
}

// departs returns the place of the first revision in the file that this document
// here has otherwise, or cannot go on with; -1 where it has or takes all.
func (d *documentPlan) departs(l *local) int {
	goesOn := false // the file has the latest revision as it is here
	for i, rev := range d.revs {
		sum, there := l.sums[rev]
		if there && sum != d.sums[i] {
			return i
		}
		if rev == l.latest {
			goesOn = there
		}
		if rev > l.latest && (!goesOn || d.kind.name == "bench") {
			return i
		}
	}
	return -1
}

// decide works out what becomes of a document: it looks for what is here under
// its key, and, where that is another document, under the key that it gets then.
func (s *Store) decide(ctx context.Context, q querier, d *documentPlan) error {
	d.here = map[int]int{}
	d.fate, d.suffix = FateNew, ""
	for range 100 {
		l, err := s.localOf(ctx, q, d.kind, d.as, d.key, d.suffix)
		if err != nil {
			return err
		}
		if d.settle(l) {
			d.settleDeleted(l.deleted)
			return nil
		}
		if d.kind.name == "pin map" {
			d.fate, d.why = FateRefused, "the pin map of this device on this bench is another one here, and stays; runs keep their own copy"
			return nil
		}
		if d.kind.name == "bench" && d.key == ofProgram {
			d.fate, d.why, d.after = FateThere, "the rehearsal bench is part of the program: its definition here stays; runs keep their own copy", d.revs[len(d.revs)-1]
			return nil
		}
		sum := d.sums[d.departs(l)]
		d.suffix = hex.EncodeToString(sum[:4])
		d.as = keyWith(d.key, d.suffix)
		d.fate, d.why = FateRenamed, "another one has its name here"
	}
	return errorf(Invalid, "no key is left for %s %s", d.kind.name, d.key)
}

// settle decides a document that can be what is here, or that nothing is here of.
func (d *documentPlan) settle(l *local) bool {
	d.latest = l.latest
	last := len(d.revs) - 1
	if l.latest == 0 {
		d.after = 0
		for _, rev := range d.revs {
			d.here[rev] = rev
		}
		return true
	}
	if d.departs(l) < 0 {
		for _, rev := range d.revs {
			d.here[rev] = rev
		}
		if d.after = l.latest; d.revs[last] <= l.latest {
			if d.fate == FateNew {
				d.fate = FateThere
			} else {
				d.fate, d.why = FateThere, "it was brought before, under another name"
			}
			d.after = d.revs[last]
			return true
		}
		d.fate, d.why = FateGoesOn, fmt.Sprintf("its revisions after %d are new, and the last is used from now on", l.latest)
		return true
	}
	if l.sums[l.latest] != d.sums[last] {
		return false
	}
	for i, rev := range d.revs { // the same by now, with another history
		for here, sum := range l.sums {
			if sum == d.sums[i] {
				d.here[rev] = here
			}
		}
	}
	d.fate, d.why, d.after = FateThere, "it says the same here; its earlier revisions are others, and runs keep their own copy", d.revs[last]
	return true
}

// settleDeleted decides what becomes of a document that was deleted here and not
// where the file is from.
func (d *documentPlan) settleDeleted(at int64) {
	if at == 0 || d.removed || d.fate != FateThere && d.fate != FateGoesOn {
		return
	}
	d.deleted = at
	why := deletedWhy(at)
	if d.back {
		if d.fate == FateThere {
			d.fate = FateBack
		}
		d.why = why + ", brought back"
		return
	}
	if d.fate == FateGoesOn {
		d.why = why + notBack + ": its new revisions are kept beside those before"
		return
	}
	d.why = why + notBack
}

// deletedWhy says when something was deleted here; notBack goes on that it stays so.
func deletedWhy(at int64) string { return "deleted here on " + timeOf(at).Format("2006-01-02") }

const notBack = ", not brought back"

// keyWith is a key with a suffix, as long as a key may be.
func keyWith(key, suffix string) string {
	return strings.TrimRight(key[:min(len(key), 63-len(suffix))], "-") + "-" + suffix
}

// writes reports whether revisions of the document are to be written.
func (d *documentPlan) writes() bool {
	return d.fate == FateNew || d.fate == FateGoesOn || d.fate == FateRenamed
}

// line is the report's line.
func (d *documentPlan) line() BundleLine {
	l := BundleLine{What: d.kind.name + " " + d.key, Fate: d.fate, Why: d.why}
	if d.as != d.key && d.fate != FateRefused {
		l.As = d.as
	}
	l.Deleted = d.deleted != 0 && !d.back
	return l
}

// planDocument begins the plan of a document.
func (p documentsPlan) planDocument(head documentHead) (*documentPlan, error) {
	k := kindNamed(head.Kind)
	switch {
	case k == nil:
		return nil, errorf(Invalid, "%q is no kind of document", head.Kind)
	case p.of(head.Kind, head.Key) != nil:
		return nil, errorf(Invalid, "the %s %q is there twice", head.Kind, head.Key)
	}
	d := &documentPlan{kind: k, key: head.Key, removed: head.Removed}
	p[head.Kind+" "+head.Key] = d
	return d, nil
}

// take adds a revision to a plan. What a form or the API would not take refuses the
// document, and no other.
func (p documentsPlan) take(d *documentPlan, r *documentRevision, unbelievable func(time.Time) string) error {
	if n := len(d.revs); r.Rev < 1 || n > 0 && r.Rev <= d.revs[n-1] {
		return errorf(Invalid, "revision %d is in a wrong place", r.Rev)
	}
	own, err := d.kind.canonical(r.Body, nil)
	if err != nil {
		return err
	}
	if own.key != d.key {
		return errorf(Invalid, "the %s %q says that it is %q", d.kind.name, d.key, own.key)
	}
	doc, err := d.kind.canonical(r.Body, p.refer)
	if err != nil {
		return err
	}
	by, _ := json.Marshal(r.By) // texts always marshal
	if err := errors.Join(own.check(), textsOf(by)); err != nil && d.fate != FateRefused {
		d.fate, d.why = FateRefused, fmt.Sprintf("its revision %d cannot be used: %v", r.Rev, err)
	}
	if why := unbelievable(r.At); why != "" && d.fate != FateRefused {
		d.fate, d.why = FateRefused, fmt.Sprintf("its revision %d %s", r.Rev, why)
	}
	if why := p.without(own); why != "" && d.fate != FateRefused {
		d.fate, d.why = FateRefused, why
	}
	if d.as = doc.key; d.kind.name != "pin map" {
		d.as = d.key
	}
	d.revs, d.sums = append(d.revs, r.Rev), append(d.sums, sha256.Sum256([]byte(doc.text)))
	return nil
}

// without says what a document refers to and cannot have here; "" where nothing
// is missing.
func (p documentsPlan) without(doc *canonicalDocument) string {
	for i, column := range doc.columns {
		key, _ := doc.values[i].(string)
		if d := p.of(column, key); d != nil && d.fate == FateRefused {
			return "the " + column + " that it is for was refused"
		}
	}
	return ""
}

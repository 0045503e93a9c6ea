package store

import (
	"context"
	"io"
	"regexp"

	"github.com/google/uuid"

	"ohmkeep/server/bundle"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/turn"
)

// runPlan is what becomes of a run of a bundle here.
type runPlan struct {
	fate    Fate
	id      string // here
	results int64
}

// bundlePlan is what becomes of all that a bundle holds.
type bundlePlan struct {
	header    bundle.Header
	sum       string
	documents documentsPlan
	order     []*documentPlan
	runs      []runPlan
	report    Imported
}

// looker reads a bundle whole, holds everything against what it must be, and
// makes the plan. It writes nothing.
type looker struct {
	ctx     context.Context
	store   *Store
	plan    *bundlePlan
	options ImportOptions

	doc  *documentPlan
	head *runHead
	now  lookedRun
	seen map[contentSum]string // of the runs before it that will be here, and their ids there
	ids  map[string]bool       // of runs that will be here
	cols Columns
}

// lookedRun is the run that is being read.
type lookedRun struct {
	contentVisitor
	why  string // refused, because
	said procedure.Verdict
	next map[int]int64
	last int // measurement of the last chunk
	n    int64
}

// ImportOptions are what whoever imports a bundle decides on.
type ImportOptions struct {
	// Back brings back what was deleted here and is in the file.
	Back bool
}

// Look reads a bundle and says what an import would do. Nothing is written.
func (s *Store) Look(ctx context.Context, file io.Reader, o ImportOptions) (*Imported, error) {
	plan, err := s.planBundle(ctx, file, o)
	if err != nil {
		return nil, err
	}
	plan.report.Dry = true
	return &plan.report, nil
}

// planBundle reads a bundle whole and makes the plan.
func (s *Store) planBundle(ctx context.Context, file io.Reader, o ImportOptions) (*bundlePlan, error) {
	r, err := bundle.NewReader(file)
	if err != nil {
		return nil, err
	}
	l := &looker{ctx: ctx, store: s, options: o, seen: map[contentSum]string{}, ids: map[string]bool{},
		plan: &bundlePlan{header: r.Header, documents: documentsPlan{}}}
	for name, text := range map[string]string{"server": r.Header.Server, "by": r.Header.By, "program": r.Header.Program, "choice": r.Header.Choice} {
		if words := (dut.Text{Most: 1000}).Check(text); words != "" {
			return nil, errorf(Invalid, "The file cannot be used: its %s %s.", name, words)
		}
	}
	scan := bundleScan{from: r, to: l}
	contents, err := scan.scan()
	if err != nil {
		return nil, wrap("import", err)
	}
	p := l.plan
	p.sum = r.Sum()
	p.report.Server, p.report.Made, p.report.MadeBy, p.report.Choice, p.report.Sum = r.Header.Server, r.Header.Made, r.Header.By, r.Header.Choice, p.sum
	p.report.LeftOut = contents.LeftOut
	return p, nil
}

func (l *looker) document(head documentHead) (err error) {
	if l.doc, err = l.plan.documents.planDocument(head); err == nil {
		l.doc.back = l.options.Back
	}
	return err
}

func (l *looker) revision(r *documentRevision) error {
	return l.plan.documents.take(l.doc, r, l.store.unbelievable)
}

func (l *looker) endDocument() error {
	d := l.doc
	if len(d.revs) == 0 {
		return errorf(Invalid, "the %s %q has no revision", d.kind.name, d.key)
	}
	if d.fate != FateRefused {
		if err := l.store.decide(l.ctx, l.store.reader(l.ctx), d); err != nil {
			return err
		}
	}
	l.plan.order = append(l.plan.order, d)
	l.plan.report.say(d.line())
	return turn.Pass(l.ctx)
}

// runID is what numbers of runs look like.
var runID = regexp.MustCompile(`^[0-9A-Za-z][0-9A-Za-z-]{0,63}$`)

func (l *looker) run(h *runHead) error {
	if !runID.MatchString(h.Run.ID) {
		return errorf(Invalid, "%q is no number of a run", clipped(h.Run.ID))
	}
	l.head = h
	l.now = lookedRun{contentVisitor: contentVisitor{sum: newRunContent()}, next: map[int]int64{}}
	l.now.why = l.refusal(h)
	return l.now.contentVisitor.run(h)
}

func clipped(s string) string {
	if len(s) > 80 {
		return s[:80] + "…"
	}
	return s
}

func (l *looker) result(x *bundledResult) error {
	h := l.head
	if x.Measurement < 0 || x.Measurement >= max(len(h.Run.Procedure.Measurements), 1) {
		return errorf(Invalid, "a result is of measurement %d, which the procedure has not", x.Measurement)
	}
	if !knownOutcome(x.Outcome) {
		return errorf(Invalid, "the outcome of a result is %q", clipped(string(x.Outcome)))
	}
	body, err := asJSON{x}.Value()
	if err != nil {
		return err
	}
	text, _ := body.(string)
	if err := textsOf([]byte(text)); err != nil && l.now.why == "" {
		l.now.why = "result " + x.Key + ": " + err.Error()
	}
	result, err := x.result()
	if err != nil {
		return errorf(Invalid, "the budget of a result cannot be read: %v", err)
	}
	if why := resultInDoubt(&h.Run.Device, h.Run.Procedure.Rule(), result); why != "" && l.now.why == "" {
		l.now.why = "result " + x.Key + " " + why
	}
	l.now.said.Add(x.Measurement, x.Key, x.Outcome)
	return l.now.contentVisitor.result(x)
}

func (l *looker) chunk(k bundledChunk) error {
	r := &l.now
	l.cols.Reset()
	if err := decodeChunk(k.data, &l.cols); err != nil {
		return errorf(Invalid, "%v", err)
	}
	if k.measurement < r.last || k.measurement >= max(len(l.head.Run.Procedure.Measurements), 1) || k.first != r.next[k.measurement] {
		return errorf(Invalid, "readings of measurement %d from %d on are in a wrong place", k.measurement, k.first)
	}
	r.last = k.measurement
	r.next[k.measurement] += int64(l.cols.Len())
	r.n += int64(l.cols.Len())
	return r.contentVisitor.chunk(k)
}

// exchangesMost is the most exchanges with cards that a run may bring: pages read
// all of them.
const exchangesMost = 500_000

func (l *looker) traffic(packed []byte) error {
	if l.head.Traffic == nil {
		return errorf(Invalid, "the run says that it has no traffic")
	}
	n := 0
	err := eachExchange(packed, func(*cardinfo.Event) error {
		if n++; n > exchangesMost {
			return errorf(Invalid, "it has more than %d exchanges", exchangesMost)
		}
		return nil
	})
	if err != nil {
		return errorf(Invalid, "the traffic cannot be read: %v", err)
	}
	return l.now.contentVisitor.traffic(packed)
}

func (l *looker) endRun() error {
	r := &l.now
	if r.n != l.head.Run.Readings {
		return errorf(Invalid, "run %s has %d readings and says that it has %d", l.head.Run.ID, r.n, l.head.Run.Readings)
	}
	if r.why == "" {
		r.why = outcomeInDoubt(&l.head.Run, &r.said)
	}
	line, plan, err := l.decideRun()
	if err != nil {
		return err
	}
	l.plan.runs = append(l.plan.runs, plan)
	l.plan.report.say(line)
	if plan.writes() {
		l.plan.report.Runs++
		l.plan.report.Readings += r.n
	}
	return turn.Pass(l.ctx)
}

// writes reports whether the run is to be stored.
func (p *runPlan) writes() bool { return p.fate == FateNew || p.fate == FateRenamed }

// decideRun works out what becomes of a run that has been read: one of the same
// content is there already, whatever its number; a number that another run has
// is replaced by a new one.
func (l *looker) decideRun() (BundleLine, runPlan, error) {
	rec, r := &l.head.Run, &l.now
	line := BundleLine{What: "run " + rec.ID, Fate: FateNew}
	plan := runPlan{id: rec.ID, results: r.results}
	sum := r.sum.sum()
	if r.why != "" {
		line.Fate, line.Why = FateRefused, r.why
		plan.fate = FateRefused
		return line, plan, nil
	}
	there, harmed, err := l.store.sameRun(l.ctx, rec, sum)
	if err != nil {
		return line, plan, err
	}
	if first, twice := l.seen[sum]; there == "" && twice {
		there, line.Why = first, "the file has it twice"
	}
	if there != "" {
		line.Fate, plan.fate = FateThere, FateThere
		if there != rec.ID {
			line.As = there
		}
		return line, plan, nil
	}
	taken, err := l.store.idTaken(l.ctx, rec.ID)
	if err != nil {
		return line, plan, err
	}
	if taken || l.ids[rec.ID] {
		id, err := uuid.NewV7()
		if err != nil {
			return line, plan, err
		}
		plan.id, line.Fate, line.As = id.String(), FateRenamed, id.String()
		line.Why = "another run has its number here"
		if harmed {
			line.Why = "the run that has its number here is damaged, and stays"
		}
	}
	if line.Fate == FateNew {
		at, err := l.store.runDeleted(l.ctx, rec)
		if err != nil {
			return line, plan, err
		}
		line.settleDeletedRun(at, l.options.Back)
	}
	if line.Deleted {
		plan.fate = FateThere
		return line, plan, nil
	}
	plan.fate = line.Fate
	if line.Fate == FateBack {
		plan.fate = FateNew
	}
	l.seen[sum], l.ids[rec.ID], l.ids[plan.id] = plan.id, true, true
	return line, plan, nil
}

// sameRun returns the number of the run here that has the same content; "" where
// there is none. Harmed says that one that began at the same time is damaged.
func (s *Store) sameRun(ctx context.Context, rec *procedure.Record, sum contentSum) (id string, harmed bool, err error) {
	ids, err := textsFrom(ctx, s, "SELECT id FROM runs WHERE started = ? AND "+notDeleting, rec.Started.UnixNano())
	for _, there := range ids {
		if err != nil {
			return "", harmed, err
		}
		var got contentSum
		got, err = s.contentOf(ctx, there)
		switch code := CodeOf(err); {
		case err == nil && got == sum:
			return there, false, nil
		case code == NotFound || code == Conflict: // deleted meanwhile, or at work
			err = nil
		case isDamage(err):
			harmed, err = true, nil
		}
	}
	return "", harmed, err
}

// DeletedRun is the log's word for a run that was deleted.
const DeletedRun = "delete run"

// runDeleted is when a run of a bundle was deleted here, Unix nanoseconds, by the log:
// under its number, or under one that it had on its way; 0: it was not.
func (s *Store) runDeleted(ctx context.Context, rec *procedure.Record) (at int64, err error) {
	ids := []string{rec.ID}
	for _, o := range rec.Origins {
		ids = append(ids, o.Run)
	}
	for _, id := range ids {
		var here int64
		err := s.reader(ctx).QueryRowContext(ctx, "SELECT coalesce(max(at), 0) FROM events WHERE subject = ? AND action = ?", id, DeletedRun).Scan(&here)
		if err != nil {
			return 0, wrap("run deleted", err)
		}
		at = max(at, here)
	}
	return at, nil
}

// settleDeletedRun decides what becomes of a run that would be new, and was deleted
// here at a time, if it was: whoever deleted it meant it, and a file alone does not
// undo that.
func (l *BundleLine) settleDeletedRun(at int64, back bool) {
	if at == 0 {
		return
	}
	l.Why = deletedWhy(at)
	if back {
		l.Fate, l.Why = FateBack, l.Why+", brought back"
		return
	}
	l.Fate, l.Deleted, l.Why = FateThere, true, l.Why+notBack
}

// idTaken reports whether a run here has a number.
func (s *Store) idTaken(ctx context.Context, id string) (bool, error) {
	ids, err := textsFrom(ctx, s, "SELECT id FROM runs WHERE id = ?", id)
	return len(ids) > 0, err
}

// changedMeanwhile refuses an import whose plan does not hold any more.
func changedMeanwhile(what string) error {
	return errorf(Conflict, "Nothing was imported: %s was changed meanwhile. Import the file again.", what)
}

var errFileChanged = errorf(Invalid, "The file was changed while it was imported. Nothing was imported.")

package lab

import (
	"context"
	"fmt"

	"ohmkeep/server/bench"
	"ohmkeep/server/calibrate"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// What was measured of a bench is taken over by a person, who has seen what it
// changes. Each decision is a revision: taking over, putting back, using none.

// CorrectionsInUse is what was decided last of the bench's corrections, nil where
// nothing ever was. Unused says why its corrections are not used all the same; it is
// empty where they are, or where none are to be used.
func (l *Lab) CorrectionsInUse(ctx context.Context, b *Bench) (last *store.BenchCorrections, unused string, err error) {
	last, err = l.Store.Corrections(ctx, b.Definition.Key, 0)
	if err != nil || last == nil {
		return nil, "", err
	}
	return last, unusedFor(b, last), nil
}

// unusedFor is why corrections are not used on a bench; "" where they are.
func unusedFor(b *Bench, c *store.BenchCorrections) string {
	switch {
	case c.Damaged != "":
		return "they are damaged on the disk: " + c.Damaged
	case c.Body == nil:
		return ""
	case c.Built != builtAs(b):
		return "the bench was built otherwise when they were taken over: check it again"
	case c.Serial != b.Identity().Serial:
		return fmt.Sprintf("they are of the bench with the serial number %s", dut.Excerpt(c.Serial))
	}
	return ""
}

// builtAs is a sum of what the bench's paths are built of: of its definition, and of
// how a rehearsal bench draws them.
func builtAs(b *Bench) string {
	built := b.Definition.Built()
	if b.Rehearse != nil {
		_, w := b.Rehearse.Drawn()
		built += fmt.Sprintf("/%g/%g", w.Paths, w.Tolerance)
	}
	return built
}

// Known is the bench with the corrections that are in use now.
func (l *Lab) Known(ctx context.Context, b *Bench) (*bench.Definition, error) {
	c, unused, err := l.CorrectionsInUse(ctx, b)
	if err != nil || c == nil || unused != "" {
		return b.Definition.Stated(), err
	}
	return b.Definition.Corrected(c.Body, l.Now()), nil
}

// ProposeCorrections works out what a stored check of the bench would correct.
func (l *Lab) ProposeCorrections(ctx context.Context, b *Bench, checkID string) (*calibrate.Proposal, error) {
	c, err := l.Store.GetCheck(ctx, checkID)
	if err != nil {
		return nil, err
	}
	if c.Bench != b.Definition.Key || c.Record.Identity.Serial != b.Identity().Serial {
		return nil, problem.New(problem.Conflict, "This check is of another bench than the one in use.")
	}
	last, unused, err := l.CorrectionsInUse(ctx, b)
	if err != nil {
		return nil, err
	}
	var before *bench.Corrections
	if last != nil && unused == "" {
		before = last.Body
	}
	return calibrate.FromCheck(&b.Definition, c.Record, before)
}

// CorrectionsChange is what a person decides of a bench's corrections. Exactly one of
// the first three is given.
type CorrectionsChange struct {
	Check    string // take over what this check measured
	Again    int    // use this revision again
	None     bool   // use none
	Expected int    // the newest revision that the person has seen, 0 for none
	Why      string // in a person's words; may be empty
}

// ChangeCorrections carries such a decision out and returns its revision. A run at
// work keeps those that it began with.
func (l *Lab) ChangeCorrections(ctx context.Context, b *Bench, who Person, q CorrectionsChange) (int, error) {
	var ps dut.Problems
	CheckLine(&ps, "why", q.Why, MaxSerial)
	if err := ps.Err(); err != nil {
		return 0, err
	}
	if err := b.mayUse(who); err != nil {
		return 0, err
	}
	c := store.BenchCorrections{Bench: b.Definition.Key, By: who.Name, Why: q.Why, Built: builtAs(b), Serial: b.Identity().Serial}
	what := "none"
	switch {
	case q.Check != "" && q.Again == 0 && !q.None:
		p, err := l.ProposeCorrections(ctx, b, q.Check)
		if err != nil {
			return 0, err
		}
		c.Body, what = p.Corrections, "of check "+q.Check
	case q.Again > 0 && q.Check == "" && !q.None:
		old, err := l.Store.Corrections(ctx, c.Bench, q.Again)
		switch {
		case err != nil:
			return 0, err
		case old == nil || old.Body == nil:
			return 0, problem.Field("again", fmt.Sprintf("there are no corrections in revision %d", q.Again))
		}
		if why := unusedFor(b, old); why != "" {
			return 0, problem.New(problem.Conflict, "Revision "+fmt.Sprint(q.Again)+" cannot be used: "+why+".")
		}
		c.Body, what = old.Body, fmt.Sprintf("revision %d again", q.Again)
	case !q.None || q.Check != "" || q.Again != 0:
		return 0, problem.Field("check", "say one thing: a check, a revision or none")
	}
	rev, err := l.Store.SaveCorrections(ctx, c, q.Expected)
	if err == nil {
		l.Note(ctx, who, "corrections of bench", b.Definition.Key, fmt.Sprintf("revision %d: %s", rev, what))
	}
	return rev, err
}

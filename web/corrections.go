package web

import (
	"fmt"
	"math"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/calibrate"
	"ohmkeep/server/check"
	"ohmkeep/server/quantity"
)

// CorrectionsProps are what the page of a bench's corrections shows.
type CorrectionsProps struct {
	Page     Page
	Def      *bench.Definition
	CanUse   bool
	Now      time.Time
	InUse    *bench.Corrections // nil where none are used
	Unused   string             // why those that were decided last are not used; ""
	Newest   int                // newest revision, 0 for none
	Check    *BenchCheckRow     // the newest check with the paths; nil where there is none
	Proposal *calibrate.Proposal
	NoWhy    string // why that check can correct nothing; ""
	Form     Form
	Rows     []CorrectionsRow // revisions, newest first
	Shown    *bench.Corrections
}

// CorrectionsRow is one decision.
type CorrectionsRow struct {
	Revision int
	At       time.Time
	By, Why  string
	What     string
	Again    bool // it can be used again
}

// CorrectionsWhat says in words what a decision was.
func CorrectionsWhat(c *bench.Corrections, damaged bool) string {
	switch {
	case damaged:
		return "damaged on the disk: not used"
	case c == nil:
		return "none: the stated tolerances count"
	}
	what := count(len(c.Paths), "path", "paths")
	if len(c.Ranges) > 0 {
		what += ", " + count(len(c.Ranges), "range", "ranges")
	}
	return what
}

// CorrectionsLine says in a sentence what corrections a run was made with.
func CorrectionsLine(c *bench.Corrections) string {
	if c == nil {
		return "none: every path and range counts as it is stated"
	}
	line := fmt.Sprintf("revision %d of %s by %s: %s", c.Revision, moment(c.At.Local()), c.By, CorrectionsWhat(c, false))
	if len(c.Paths) > 0 {
		line += ", measured " + ageWords(c.Age(c.PathsAt)) + " before"
	}
	return line
}

func ageWords(d time.Duration) string {
	switch {
	case d < time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h", int(d.Hours()))
	}
	return fmt.Sprintf("%d days", int(d.Hours()/24))
}

// dueWords says when the paths are to be measured again.
func (p *CorrectionsProps) dueWords() string {
	due := calibrate.Due(p.InUse.PathsAt)
	if p.Now.After(due) {
		return "Due since " + due.Local().Format(time.DateOnly) + ": measure the paths again. Until then the intervals widen with age."
	}
	return "To be measured again by " + due.Local().Format(time.DateOnly) + "; the intervals widen with age."
}

// meansWords says what the proposal would change.
func (p *CorrectionsProps) meansWords() string {
	corrected := count(len(p.Proposal.Moves), "path", "paths")
	most := p.Proposal.Largest()
	if most == nil {
		return corrected + "."
	}
	path, _ := p.Def.PathByID(most.Path)
	return fmt.Sprintf("%s of %d. The farthest from its statement is %s with %s, where %s ± %s is stated with its channel’s output.", corrected, len(p.Def.Paths),
		path.Address, quantity.Pair(most.Ohms, most.U, quantity.Ohm), quantity.Format(most.Stated, quantity.Ohm, 3), quantity.Format(most.Allows, quantity.Ohm, 2))
}

// movedWords says how far the paths have moved since they were corrected before; ""
// where they were not.
func (p *CorrectionsProps) movedWords() string {
	var most *calibrate.Move
	for i := range p.Proposal.Moves {
		m := &p.Proposal.Moves[i]
		if since := math.Abs(m.Since()); !math.IsNaN(since) && (most == nil || since > math.Abs(most.Since())) {
			most = m
		}
	}
	if most == nil {
		return ""
	}
	path, _ := p.Def.PathByID(most.Path)
	return fmt.Sprintf("Since they were corrected before, %s has moved most: by %s.", path.Address, quantity.Format(most.Since(), quantity.Ohm, 2))
}

// correctedPath is a path's row of the table.
type correctedPath struct {
	Address, Contact, Stated, Now, Off string
}

// correctedPaths are the rows of the corrections that are shown.
func (p *CorrectionsProps) correctedPaths() []correctedPath {
	var out []correctedPath
	for i := range p.Shown.Paths {
		c := &p.Shown.Paths[i]
		path, ok := p.Def.PathByID(c.Path)
		if !ok {
			continue
		}
		stated, _ := check.StatedOf(p.Def, path)
		out = append(out, correctedPath{path.Address, fmt.Sprint(path.Contact), quantity.Format(stated, quantity.Ohm, 3),
			quantity.Pair(c.Ohms, c.U, quantity.Ohm), quantity.Format(c.Ohms-stated, quantity.Ohm, 2)})
	}
	return out
}

func (p *CorrectionsProps) addressOf(id bench.PathID) string {
	if path, ok := p.Def.PathByID(id); ok {
		return path.Address
	}
	return fmt.Sprint(id)
}

package web

import (
	"time"

	"ohmkeep/server/dut"
)

// RevisionRow is one revision of a document and what it changed.
type RevisionRow struct {
	Rev     int
	At      time.Time
	By      string
	First   bool
	Changes []dut.Change // from the revision before
}

// RevisionsProps is the history of a document.
type RevisionsProps struct {
	Page      Page
	Of, What  string
	Back      string // address of the document
	BringBack string // address that a revision is brought back by
	Latest    int
	CanEdit   bool
	Rows      []RevisionRow
	More      int // older ones that are not shown
	// Newest is what the latest revision is called; "" is in use.
	Newest string
}

func (p RevisionsProps) newest() string {
	if p.Newest == "" {
		return "in use"
	}
	return p.Newest
}

package store

import (
	"context"
	"fmt"
	"time"
)

// Fate is what becomes of a document or a run of a bundle here.
type Fate string

// The fates there are.
const (
	FateNew     Fate = "new"
	FateThere   Fate = "there already"
	FateGoesOn  Fate = "goes on" // a document gets the revisions that it has there beyond those here
	FateRenamed Fate = "under another name"
	FateBack    Fate = "brought back" // it was deleted here
	FateRefused Fate = "refused"
)

// BundleLine is a line of the report of an import.
type BundleLine struct {
	What string `json:"what"` // "device tarnel-6", "run 01a2…"
	Fate Fate   `json:"fate"`
	As   string `json:"as,omitempty"`  // key or number here, where it is another one
	Why  string `json:"why,omitempty"` // a sentence
	// Deleted says that it was deleted here and stays so.
	Deleted bool `json:"deleted,omitempty"`
}

// Imported is what an import did, or, of a look, would do.
type Imported struct {
	Server   string       `json:"server"` // where the file is from
	Made     time.Time    `json:"made"`
	MadeBy   string       `json:"madeBy"`
	Choice   string       `json:"choice"` // what was chosen there, in words
	Sum      string       `json:"sum"`    // SHA-256 that names the file by its content
	Dry      bool         `json:"dry"`    // nothing was written
	New      int          `json:"new"`
	There    int          `json:"there"`
	GoOn     int          `json:"goOn"`
	Renamed  int          `json:"renamed"`
	Refused  int          `json:"refused"`
	Back     int          `json:"back"`     // documents and runs that were deleted here and are brought back
	Deleted  int          `json:"deleted"`  // documents and runs that were deleted here and stay so
	Runs     int          `json:"runs"`     // of those that are new or under another name
	Readings int64        `json:"readings"` // of these runs
	Lines    []BundleLine `json:"lines"`
	More     int          `json:"more"`    // lines beyond the first ten thousand
	LeftOut  []LeftOut    `json:"leftOut"` // what was not put into the file, and why
}

// linesMost is the number of lines of a report.
const linesMost = 10_000

// say adds a line.
func (r *Imported) say(l BundleLine) {
	switch l.Fate {
	case FateNew:
		r.New++
	case FateThere:
		r.There++
	case FateGoesOn:
		r.GoOn++
	case FateRenamed:
		r.Renamed++
	case FateRefused:
		r.Refused++
	case FateBack:
		r.Back++
	}
	if l.Deleted {
		r.Deleted++
	}
	if len(r.Lines) >= linesMost {
		r.More++
		return
	}
	r.Lines = append(r.Lines, l)
}

// Changes reports whether there is anything to bring in.
func (r *Imported) Changes() bool { return r.New+r.GoOn+r.Renamed+r.Back > 0 }

// Words sums the report up in a sentence.
func (r *Imported) Words() string {
	text := fmt.Sprintf("%d new, %d there already, %d go on, %d under another name, %d refused", r.New, r.There, r.GoOn, r.Renamed, r.Refused)
	if r.Back > 0 {
		text += fmt.Sprintf(", %d brought back", r.Back)
	}
	text += fmt.Sprintf("; %d runs with %d readings", r.Runs, r.Readings)
	if r.Deleted > 0 {
		text += fmt.Sprintf("; %d deleted here, not brought back", r.Deleted)
	}
	return text
}

// LogExport writes the line of the log about an export.
func (s *Store) LogExport(ctx context.Context, from BundleSource, e *Exported) error {
	return s.Log(ctx, Event{By: from.By, Action: "export", Subject: "file " + e.Sum[:16],
		Detail: fmt.Sprintf("%s: %d documents, %d runs with %d readings; %d left out", from.Choice, e.Documents, e.Runs, e.Readings, len(e.LeftOut))})
}

package web

import (
	"time"
)

// DataProps is the page of what is kept: its check, its backups, and what a start
// has seen of it.
type DataProps struct {
	Page     Page
	Operator bool // may check
	Owner    bool // may back up, and take note
	Notices  []DataNotice
	Met      []string // what is known to be damaged, in words

	Checking bool
	Progress string // of the check, in words
	Failed   string // why the last check did not come to its end; ""
	Checked  *DataChecked

	BackingUp bool
	Copied    string // progress of the backup, in words
	Dir       string
	Timetable string // in words
	Backups   []DataBackup
}

// DataNotice is what a start has seen that somebody must know of.
type DataNotice struct {
	ID   string
	At   time.Time
	Text string
}

// DataChecked is the last check that came to its end.
type DataChecked struct {
	At       time.Time
	Words    string // what was read
	Findings []DataFinding
	More     int
}

// DataFinding is one thing that is damaged.
type DataFinding struct {
	Subject string
	Link    string // address of its page; "" where it has none
	What    string
}

// DataBackup is a backup that was made, or that failed.
type DataBackup struct {
	At    time.Time
	Path  string
	Size  string
	Took  string
	By    string
	Error string // "" where it was read again, whole
}

// ImportedProps is the page of what an import did, or would do.
type ImportedProps struct {
	Page    Page
	Server  string
	MadeBy  string
	Deleted bool // something was deleted here and is not brought back
	Renamed bool // something comes under another name
	Choice  string
	Sum     string
	Words   string
	Dry     bool
	Lines   []ImportedLine
	More    int      // lines beyond these
	LeftOut []string // what was not put into the file, and why
}

// ImportedLine is what became of one document or run.
type ImportedLine struct {
	What    string
	Link    string // address of its page; ""
	Fate    string
	More    string
	Refused bool
}

// EventsProps is the page of who did what.
type EventsProps struct {
	Page   Page
	Filter Form
	Rows   []EventRow
	Older  string // address of the next page; ""
	Newest string // address of the first page; "" on it
	CSV    string
}

// EventRow is a line of the log.
type EventRow struct {
	Number  string
	At      time.Time
	By      string
	Action  string
	Subject string
	Link    string // address of the subject's page; ""
	Detail  string
	Broken  bool // it is not what was written, or the line before is not
}

// importedHeading is the heading of what an import did, or would do.
func importedHeading(p ImportedProps) string {
	if p.Dry {
		return "What would come in"
	}
	return "What became of it"
}

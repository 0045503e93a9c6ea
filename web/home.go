package web

import (
	"fmt"
	"time"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/server/standing"
)

// RunRow is a run in a list.
type RunRow struct {
	ID        string
	Device    string // name
	Procedure string // name; "" for a run kept from the manual page
	Unit      string // serial number
	Lot       string
	Operator  string
	Outcome   derive.Outcome
	Status    procedure.Status
	Started   time.Time
	Took      time.Duration
	Readings  int64
	Note      string
	Rehearsal bool
	Badge     standing.Badge // what stands behind it
}

// tookWords returns the duration of a run in words; a dash for a run at work,
// which has not ended yet.
func (r RunRow) tookWords() string {
	if r.Status == procedure.Running {
		return "—"
	}
	return span(r.Took)
}

// DemoProgress is the progress of the demo lot.
type DemoProgress struct {
	Lot         string
	Done, Total int
	Href        string // the lot's overview
}

// HomeProps is the first page.
type HomeProps struct {
	Page     Page
	Newcomer bool // nobody has run anything yet
	Running  *RunRow
	Progress Progress      // of Running
	Of       int           // measurements of Running
	Demo     *DemoProgress // nil when it is done or there is none
	Last     []RunRow
	Lots     []LotRow // the newest
	MoreLots bool     // there are others
	// Start has the fields procedure (a key), serial, lot, note, and seat
	// ("1": put a fresh rehearsed unit of that device in the socket first).
	// Posted to /runs.
	Start      Form
	Procedures []Option // Value is the key, Group the device
	OfferSeat  bool     // the bench is a rehearsal bench
	CanStart   bool
	Busy       string // why nothing can be started now; "" when it can
	// Check is the last check of the bench, nil for none, and CheckWords what is
	// said of it.
	Check      *BenchCheckRow
	CheckWords string
}

// LotRow is a lot in a list.
type LotRow struct {
	Lot, Device string
	Href        string
	Units       int // with a finished run
	Passed      int // units whose last run passed
}

// words returns the state of a lot in words.
func (l LotRow) words() string {
	if l.Units == 0 {
		return "no unit finished yet"
	}
	return fmt.Sprintf("%s · %d of %s passed", l.Device, l.Passed, count(l.Units, "unit", "units"))
}

// PartHomeWork is the part of the first page that live frames may replace.
const PartHomeWork = "home-work"

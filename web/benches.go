package web

import (
	"strconv"
	"strings"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/dut"
)

// BenchListRow is a bench in the list of all.
type BenchListRow struct {
	Key, Name          string
	Rehearsal          bool // the built-in one
	Channels, Contacts int
	Connections        []bench.Connection
	Rev                int
	At                 time.Time
	By                 string
	InUse              bool
	State              bench.State // of the bench in use
	Reason             string
	Newer              bool // it was saved since it was put in use
}

// BenchesProps is the list of benches.
type BenchesProps struct {
	Page   Page
	Rows   []BenchListRow
	Health []cardinfo.Health // of the bench in use
	Use    UseProps
	// CanEdit is for operators and owners.
	CanEdit bool
	Problem string // why the bench was not changed
}

// UseProps is the choice to put another bench in use: whether the person may
// now, and why not.
type UseProps struct {
	Offered bool   // this server can use another bench
	Reason  string // why not now, for a person; "" where it may be done
	// PowerOff: the state of the bench in use is unknown, and whoever looks may
	// leave it once they say that its power is off.
	PowerOff bool
}

// BenchDefinitionProps is the page of one bench's definition.
type BenchDefinitionProps struct {
	Page                        Page
	Row                         BenchListRow
	Def                         bench.Definition
	Removed                     bool
	Health                      []cardinfo.Health
	Use                         UseProps
	Changes                     []dut.Change // since it was put in use
	CanEdit, CanDelete, CanUndo bool
	Copy                        Form // name, address
}

// BenchImportProps is a bench's document that is to be imported, and what it
// would change.
type BenchImportProps struct {
	Page     Page
	Form     Form // document
	Problems dut.Problems
	// Ready says that it was understood and can be saved.
	Ready   bool
	Def     bench.Definition
	Rev     int  // that it is saved on top of; 0 for a new bench
	Same    bool // it is what is stored already
	Stale   bool // somebody else has saved since it was compared
	Changes []dut.Change
	Look    dut.Problems // what to look at
}

// BenchNewProps is the short form for a new bench.
type BenchNewProps struct {
	Page Page
	Form Form
}

// standWord returns the state of a connection in words.
func standWord(c cardinfo.Condition) string {
	switch c {
	case cardinfo.Ready:
		return "ready"
	case cardinfo.Lost:
		return "lost"
	case cardinfo.Refused:
		return "not the card that is expected"
	}
	return "connecting"
}

// standClass returns the style class of a connection's state: ready is a ring,
// anything else is broken.
func standClass(c cardinfo.Condition) string {
	switch c {
	case cardinfo.Ready:
		return "state state-safe"
	case cardinfo.Connecting:
		return "state state-waiting"
	}
	return "state state-unknown"
}

// cardWords returns the identity that a card has given, in words.
func cardWords(h cardinfo.Health) string {
	var parts []string
	for _, s := range []string{h.Model, h.Serial, h.Version} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	return strings.Join(parts, ", ")
}

// reachedBy returns how a bench's cards are connected, in words.
func reachedBy(r BenchListRow) string {
	if r.Rehearsal {
		return "inside this program"
	}
	var parts []string
	for _, c := range r.Connections {
		parts = append(parts, c.Address)
	}
	if len(parts) == 0 {
		return "no connection yet"
	}
	return strings.Join(parts, ", ")
}

// Problem is a fault of a document.
type Problem = dut.Problem

// mostListed is the largest number of problems of a document on a page.
const mostListed = 50

func wholeList(list []int) string {
	var parts []string
	for _, n := range list {
		parts = append(parts, strconv.Itoa(n))
	}
	return strings.Join(parts, ", ")
}

// benchWords returns a summary of a bench: the numbers of its parts.
func benchWords(d *bench.Definition) string {
	w := count(len(d.Channels), "channel", "channels") + ", " + count(d.Contacts, "contact", "contacts") + ", " + count(len(d.Paths), "path", "paths")
	if len(d.Connections) == 0 {
		return w + ", no connection"
	}
	return w + ", " + count(len(d.Connections), "connection", "connections")
}

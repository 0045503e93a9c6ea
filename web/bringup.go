package web

import (
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
)

// BringUpProps is the page for bringing cards up.
type BringUpProps struct {
	Page     Page
	Def      bench.Definition
	HasCards bool
	CanUse   bool // operator or owner
	Mine     bool // who is looking holds control
	Holder   string
	AtWork   bool // control stays where it is meanwhile
	Health   []cardinfo.Health

	// Say has the fields connection, message and wait. Posted to
	// /bench/bring-up/say.
	Say         Form
	Connections []Option
	Said        []SaidRow // newest first

	Log     []TrafficRow
	LogLast uint64 // number of the last event

	Steps StepProps

	// Convert has the fields range, code and value.
	Convert   Form
	Converted *CodeAnswer
}

// SaidRow is one message that a person sent to a card, with the answers to it.
type SaidRow struct {
	By       string
	At       time.Time
	Exchange cardinfo.Exchange
	Rows     []TrafficRow
	Means    []Meaning // of what was sent and of what came back
	Err      string    // why it could not be sent
	// MadeSafe says that the bench was made safe afterwards.
	MadeSafe bool
}

// StepProps is the part of the page where a person steps through a
// measurement.
type StepProps struct {
	Can     bool     // there is something to step
	Devices []Option // to choose from first, where there are many; else none
	Which   Form     // device
	Form    Form     // measurement: "procedure:index"
	Choices []Option
	Active  bool
	What    string // the measurement, in words
	Pending *StepRow
	Done    []StepRow // newest first
	Left    int       // steps that are not listed any more
	Ended   string    // how the last one ended; "" while one is active or none was
}

// StepRow is one call to the link, as stepping shows it.
type StepRow struct {
	N      int
	Words  string
	Values []string // of a reading
	Err    string
	Rows   []TrafficRow // the raw exchange
}

// The parts of the page that live frames may replace.
const (
	PartCardHealth  = "card-health"
	PartStepNow     = "step-now"
	PartStepButtons = "step-buttons"
	PartStepDone    = "step-done"
)

// linkWord returns the state of a connection in a word.
func linkWord(c cardinfo.Condition) string {
	switch c {
	case cardinfo.Ready:
		return "ready"
	case cardinfo.Connecting:
		return "connecting"
	case cardinfo.Lost:
		return "lost"
	case cardinfo.Refused:
		return "refused"
	}
	return string(c)
}

func linkMark(c cardinfo.Condition) string {
	switch c {
	case cardinfo.Ready:
		return "✓"
	case cardinfo.Connecting:
		return "…"
	}
	return "✕"
}

// spoken returns a message as a sentence: with a capital at its head and a
// stop at its end.
func spoken(message string) string {
	message = strings.TrimSpace(message)
	if message == "" {
		return ""
	}
	r, n := utf8.DecodeRuneInString(message)
	message = string(unicode.ToUpper(r)) + message[n:]
	if !strings.ContainsAny(message[len(message)-1:], ".!?") {
		message += "."
	}
	return message
}

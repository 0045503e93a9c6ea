// Package talk holds what is said between the host and a card, as it is kept
// and shown: events on the wire, exchanges, how a connection stands, what a
// check of a card found, and the reference of the protocol. It has no
// behaviour of its own, so that the store and the pages need not know the link.
package talk

import "time"

// Direction says who an event is from.
type Direction string

const (
	Out  Direction = "out"  // host to card
	In   Direction = "in"   // card to host
	Note Direction = "note" // something about the connection, in words
)

// Event is one piece of a conversation: bytes that were written or came in
// together, or a note.
type Event struct {
	N          uint64    `json:"n"` // counts from 1 for a bench; never given twice
	At         time.Time `json:"at"`
	Connection string    `json:"connection"`
	Dir        Direction `json:"dir"`
	Bytes      []byte    `json:"bytes"` // of a note, its words in UTF-8
}

// Traffic is what was said during a run, as it is kept with it.
type Traffic struct {
	Events []Event `json:"events"`
	// Dropped counts the events left out, between the first ones and the last:
	// what is kept is bounded.
	Dropped int `json:"dropped"`
}

// Exchange is one message and what came back.
type Exchange struct {
	Connection string        `json:"connection"`
	Sent       string        `json:"sent"`
	Answers    []string      `json:"answers"` // lines, without their ends
	Took       time.Duration `json:"took"`
	Events     []Event       `json:"events"`
	// Errors are what the card's error queue held afterwards, oldest first.
	Errors []string `json:"errors,omitempty"`
}

// Condition says how a connection stands.
type Condition string

const (
	Connecting Condition = "connecting" // not yet, or again
	Ready      Condition = "ready"      // the card answers and has confirmed that it is safe
	Lost       Condition = "lost"       // it answered before and does not now
	Refused    Condition = "refused"    // something answers, but not the card that is expected
)

// Health is how a connection stands.
type Health struct {
	Connection string    `json:"connection"`
	Address    string    `json:"address"`
	Condition  Condition `json:"condition"`
	Since      time.Time `json:"since"`
	Reason     string    `json:"reason,omitempty"` // why it is not ready
	Remedy     string    `json:"remedy,omitempty"` // what a person can do
	// What the card said of itself, "" before it did.
	Model   string `json:"model,omitempty"`
	Serial  string `json:"serial,omitempty"`
	Version string `json:"version,omitempty"`
	// Tries counts the attempts since it was last ready.
	Tries int `json:"tries"`
	// Exchanges counts the answers since the bench was put in use, and Late
	// and Garbled what came too late or could not be understood.
	Exchanges uint64 `json:"exchanges"`
	Late      uint64 `json:"late"`
	Garbled   uint64 `json:"garbled"`
}

// Verdict is what a check came to.
type Verdict string

const (
	Pass    Verdict = "pass"
	Fail    Verdict = "fail"
	Skipped Verdict = "skipped" // not carried out; Came says why
)

// Finding is one point of the check of a card.
type Finding struct {
	Group    string        `json:"group"`
	Title    string        `json:"title"`
	Verdict  Verdict       `json:"verdict"`
	Expected string        `json:"expected"`
	Came     string        `json:"came"`
	Took     time.Duration `json:"took"`
	Events   []Event       `json:"events"` // the raw exchange
}

// Reference is the protocol that a card speaks, as the page shows it.
type Reference struct {
	Intro    []string  `json:"intro"` // paragraphs
	Rules    []Rule    `json:"rules"`
	Commands []Command `json:"commands"`
	Errors   []Error   `json:"errors"`
}

// Rule is one thing that holds for every message, or that a card must do.
type Rule struct {
	Title string   `json:"title"`
	Text  []string `json:"text"` // paragraphs
}

// Command is one command of the protocol.
type Command struct {
	Group      string   `json:"group"`
	Header     string   `json:"header"`     // as the standards write it: [SENSe<n>]:CURRent[:DC]:RANGe[:UPPer]
	Parameters string   `json:"parameters"` // "<numeric>", "" for none
	Answer     string   `json:"answer"`     // of its query form, "" where it has none
	Query      bool     `json:"query"`      // has a query form
	QueryOnly  bool     `json:"queryOnly"`
	Meaning    string   `json:"meaning"`
	Errors     []int    `json:"errors"`
	Timing     string   `json:"timing"`
	Examples   []string `json:"examples"`
	Source     string   `json:"source"`
}

// Error is one number of the error queue.
type Error struct {
	Number int    `json:"number"`
	Text   string `json:"text"`
	When   string `json:"when"` // a card of ours reports it
}

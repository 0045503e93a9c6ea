package cardinfo

import "time"

// Direction is the sender of an event.
type Direction string

const (
	Out  Direction = "out"  // host to card
	In   Direction = "in"   // card to host
	Note Direction = "note" // something about the connection, in words
)

// Event is one entry of a connection's log: bytes that were written or came in
// together, or a note.
type Event struct {
	N          uint64    `json:"n"` // counts from 1 for a bench; never given twice
	At         time.Time `json:"at"`
	Connection string    `json:"connection"`
	Dir        Direction `json:"dir"`
	Bytes      []byte    `json:"bytes"` // of a note, its words in UTF-8
}

// Traffic is the log of all connections during a run, stored with the run.
type Traffic struct {
	Events []Event `json:"events"`
	// Dropped counts the events left out, between the first ones and the last:
	// what is kept is bounded.
	Dropped int `json:"dropped"`
}

// Exchange is one message to a card with the card's answers.
type Exchange struct {
	Connection string        `json:"connection"`
	Sent       string        `json:"sent"`
	Answers    []string      `json:"answers"` // lines, without their ends
	Took       time.Duration `json:"took"`
	Events     []Event       `json:"events"`
	// Errors are what the card's error queue held afterwards, oldest first.
	Errors []string `json:"errors,omitempty"`
}

package cardinfo

import "time"

// Condition is the state of a connection.
type Condition string

const (
	Connecting Condition = "connecting" // not yet, or again
	Ready      Condition = "ready"      // the card answers and has confirmed that it is safe
	Lost       Condition = "lost"       // it answered before and does not now
	Refused    Condition = "refused"    // something answers, but not the card that is expected
)

// Health is the state of a connection with its reason, and counts of answers.
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

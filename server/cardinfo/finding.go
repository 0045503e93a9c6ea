package cardinfo

import "time"

// Verdict is the outcome of one point of a check.
type Verdict string

const (
	Pass    Verdict = "pass"
	Fail    Verdict = "fail"
	Skipped Verdict = "skipped" // not carried out; Came says why
)

// Finding is the outcome of one point of a check of a card, with what was
// expected and what came.
type Finding struct {
	Group    string        `json:"group"`
	Title    string        `json:"title"`
	Verdict  Verdict       `json:"verdict"`
	Expected string        `json:"expected"`
	Came     string        `json:"came"`
	Took     time.Duration `json:"took"`
	Events   []Event       `json:"events"` // the raw exchange
}

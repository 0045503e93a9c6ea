package cardinfo

// Reference is the documentation of the protocol that a card speaks, as the
// page shows it.
type Reference struct {
	Intro    []string  `json:"intro"` // paragraphs
	Rules    []Rule    `json:"rules"`
	Commands []Command `json:"commands"`
	Errors   []Error   `json:"errors"`
}

// Rule is one requirement of the protocol, on every message or on a card.
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

// Error is one error number that a card may report in its error queue.
type Error struct {
	Number int    `json:"number"`
	Text   string `json:"text"`
	When   string `json:"when"` // a card of ours reports it
}

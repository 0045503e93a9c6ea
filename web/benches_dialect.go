package web

import "strings"

// DialectText is one text of a dialect: what a card is told for one purpose.
type DialectText struct {
	Name, Title string
	Field       string // name of its field in the form
	Own         string // what the protocol has
	Places      []string
	Optional    bool
	Message     bool   // it is sent; otherwise it says how an answer is read
	Sends       string // with the sample values in its places; "" where it cannot be filled
}

// DialectProps is the editor of a connection's dialect: the texts that its
// cards are told.
type DialectProps struct {
	Page       Page
	Key, Bench string
	Connection string
	Rev        int
	Form       Form // a field for each text, and the sample values
	Texts      []DialectText
	InUse      bool
	NoTry      string // why nothing can be tried now; "" where it can
	Tried      string // the text that was tried just now
	Said       []SaidRow
	Trouble    string // why it could not be
	Conflict   *Conflict
}

// rows returns the height of a text's field, in lines.
func (t DialectText) rows(text string) int {
	if text == "" {
		text = t.Own
	}
	n := strings.Count(text, "\n") + 1
	for line := range strings.SplitSeq(text, "\n") {
		n += len(line) / 56
	}
	return min(n, 6)
}

// text returns the text that is sent, before its places are filled.
func (t DialectText) text(f Form) string {
	if own := f.Get(t.Field); own != "" {
		return own
	}
	return t.Own
}

// placeWords lists the places that a text may name.
func (t DialectText) placeWords() string {
	w := ""
	if len(t.Places) > 0 {
		w = "It may name {" + strings.Join(t.Places, "}, {") + "}."
	}
	if t.Optional {
		w = strings.TrimSpace(w + " A single - where the card has no such command.")
	}
	if !t.Message {
		w = "The values for each channel in their order, from v, i, status, limit, level and skip."
	}
	return w
}

// partSends returns the id of the element that shows what a text sends.
func (t DialectText) partSends() string { return "sends-" + t.Name }

// sampleFields are the values that texts are tried with.
var sampleFields = []struct{ name, label, place string }{
	{"sampleChannel", "Channel", "{channel}"},
	{"sampleChannels", "Channels", "{channels}"},
	{"sampleLevel", "Level", "{level}"},
	{"sampleRangeV", "Voltage range, V", "{range}"},
	{"sampleRangeI", "Current range, A", "{range}"},
	{"sampleLimitI", "Compliance, A", "{compliance}, {senseRange}"},
	{"sampleLimitV", "Compliance, V", "{compliance}, {senseRange}"},
	{"samplePaths", "Paths", "{paths}"},
	{"sampleAperture", "Aperture, s", "{aperture}"},
	{"sampleCycles", "Aperture, line cycles", "{cycles}"},
}

// errorsOf returns the number of entries in the card's error queue after an
// exchange.
func errorsOf(said []SaidRow) (n int) {
	for _, s := range said {
		n += len(s.Exchange.Errors)
	}
	return n
}

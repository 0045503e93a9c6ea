// Package web makes the pages: one typed props value and one component per
// page, drawings and plots as SVG made here. It knows the words of the bench
// and nothing of how runs are kept, carried out or sent.
package web

import (
	"fmt"
	"html"
	"net/url"
	"strconv"
	"strings"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// Page is the content of the frame around every page.
type Page struct {
	Title string
	// Section is the path of the navigation entry to mark: "/", "/devices",
	// "/procedures", "/bench", "/manual", "/runs", "/people", "/about".
	Section string
	Bench   BenchBrief
	User    string // name of who is signed in; "" on the sign-in and shared pages
	Role    string // viewer, operator or owner
	// Rehearsal marks the page: it shows what a rehearsal bench measured.
	Rehearsal bool
	Notices   []Notice
	// Live is the address of the page's WebSocket, a path; "" where the page
	// does not change. Seq is the number of the last change it already shows.
	Live string
	Seq  uint64
	// Strip is the address of the socket that keeps the head of a page up to date
	// which has none of its own. Key tells the pages of one browser.
	Strip, Key string
	// Public frames carry no navigation and no buttons: shared links, sign-in.
	Public bool
}

// BenchBrief is the state of the bench in the page's head.
type BenchBrief struct {
	Name   string
	State  bench.State
	Seated string // what is in the socket, in words; "" for nothing known
	Run    string // id of the run at work; "" for none
	Fault  string // what the bench last reported
	Remedy string // what to do where the state is unknown
	ByHand string // what is done at the bench that is no run; "" for nothing
	AtHand string // address of its page
	// Check says that a check of the bench is due, or has found a fault; "": the
	// last one was good and is fresh.
	Check string
	// Holder controls the bench; Asks asks for it; Lapses is when it ends by
	// itself, where that is near, and Why.
	Holder, Asks string
	HolderKey    string // tells the holder's pages, which alone show their buttons
	Lapses       time.Time
	Why          string
}

// Notice is a message at the top of a page.
type Notice struct {
	Kind string // "done" or "problem"
	Text string
	Link string // address of the page with more; ""
}

// Form is a submitted form: what was entered and what is wrong with it. The
// key "" of Errors is for what belongs to no field.
type Form struct {
	ID     string // prefix of the element ids; unique on the page
	Values url.Values
	Errors map[string]string
}

// Get returns the first value of a field.
func (f Form) Get(name string) string { return f.Values.Get(name) }

// At returns value i of a repeated field, or "".
func (f Form) At(name string, i int) string {
	if v := f.Values[name]; i < len(v) {
		return v[i]
	}
	return ""
}

// Or returns the first value of a field, or the initial value where it has
// none.
func (f Form) Or(name, initial string) string {
	if _, given := f.Values[name]; given {
		return f.Values.Get(name)
	}
	return initial
}

// With returns the form with initial values for fields that nobody has filled
// in.
func (f Form) With(initial map[string]string) Form {
	values := url.Values{}
	for k, v := range f.Values {
		values[k] = v
	}
	if len(f.Values) == 0 {
		for k, v := range initial {
			values.Set(k, v)
		}
	}
	f.Values = values
	return f
}

func (f Form) id(name string) string { return f.ID + "-" + name }

// describedBy returns the aria-describedby of a field: the ids of its hint and
// its message.
func (f Form) describedBy(name, hint string) string {
	var ids []string
	if hint != "" {
		ids = append(ids, f.id(name)+"-hint")
	}
	if f.Errors[name] != "" {
		ids = append(ids, f.id(name)+"-error")
	}
	return strings.Join(ids, " ")
}

// FormFrom makes the errors of a form from problems found in a document.
func FormFrom(id string, values url.Values, problems dut.Problems) Form {
	f := Form{ID: id, Values: values, Errors: map[string]string{}}
	for _, p := range problems {
		if f.Errors[p.Field] == "" {
			f.Errors[p.Field] = p.Message
		}
	}
	return f
}

// Option is one choice of a select.
type Option struct {
	Value, Label string
	Group        string // options in a row with the same group are shown under it
}

// optionGroup is a sequence of options under one heading.
type optionGroup struct {
	label   string
	options []Option
}

func groups(options []Option) []optionGroup {
	var out []optionGroup
	for _, o := range options {
		if len(out) == 0 || out[len(out)-1].label != o.Group {
			out = append(out, optionGroup{label: o.Group})
		}
		g := &out[len(out)-1]
		g.options = append(g.options, o)
	}
	return out
}

// moment formats a time as it is shown; its zone is the server's.
func moment(t time.Time) string {
	if t.IsZero() {
		return "—"
	}
	return t.Format("2006-01-02 15:04")
}

// span formats a duration in words: "0.8 s", "42 s", "3 min 5 s", "2 h 10
// min".
func span(d time.Duration) string {
	switch {
	case d < 0:
		return "—"
	case d < 10*time.Second:
		return strconv.FormatFloat(d.Seconds(), 'f', 1, 64) + " s"
	case d < time.Minute:
		return strconv.Itoa(int(d.Seconds())) + " s"
	case d < time.Hour:
		return fmt.Sprintf("%d min %d s", int(d.Minutes()), int(d.Seconds())%60)
	}
	return fmt.Sprintf("%d h %d min", int(d.Hours()), int(d.Minutes())%60)
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// shortID returns the end of a run's id, enough to tell it from its
// neighbours: the beginning of a UUIDv7 is the time.
func shortID(id string) string {
	if len(id) <= 8 {
		return id
	}
	return id[len(id)-8:]
}

func stateWord(s bench.State) string {
	switch s {
	case bench.Safe:
		return "safe"
	case bench.Energised:
		return "energised"
	}
	return "unknown, check the bench"
}

func stateClass(s bench.State) string {
	if s == bench.Safe || s == bench.Energised {
		return "state state-" + string(s)
	}
	return "state state-unknown"
}

type navEntry struct{ path, label string }

var navigation = []navEntry{
	{"/", "Today"}, {"/devices", "Devices"}, {"/bench", "Bench"}, {"/manual", "Manual"}, {"/runs", "Runs"}, {"/people", "People"}, {"/about", "About"},
}

// NotDrawn returns the HTML that replaces a part that could not be drawn, by
// its id. It has the kind of element that the part has, so that the next
// drawing finds its place.
func NotDrawn(id string) string {
	at := html.EscapeString(id)
	const words = "This part could not be drawn. What is measured goes on; the server’s log says what was wrong."
	switch {
	case strings.HasPrefix(id, partRunDrawn):
		return `<g id="` + at + `"><title>` + words + `</title></g>`
	case strings.HasPrefix(id, partRunPin):
		return `<tr id="` + at + `"><td colspan="7" class="not-drawn">` + words + `</td></tr>`
	case strings.HasPrefix(id, partRunLine):
		return `<li id="` + at + `" class="not-drawn">` + words + `</li>`
	}
	return `<div id="` + at + `" class="not-drawn" role="alert">` + words + `</div>`
}

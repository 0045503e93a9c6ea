package routes

import (
	"net/http"

	"ohmkeep/server/turn"
	"ohmkeep/store"
)

// class is a route's load class: it decides which read pool answers the route
// and whether the answer waits in the queue of reports. Every line of the
// tables names one: a line without one fails a test.
type class int

const (
	// control is the class of what must never wait behind a page or a report:
	// stopping, making safe, starting, signing in and out, health, live sockets.
	control class = iota + 1
	// page is the class of answers that read as much as one screen or one answer
	// holds.
	page
	// report is the class of answers whose work grows with the history. A report
	// waits for its turn and can be put off.
	report
)

// poolOf is the store's read pool of each class, so that no class takes
// another's connections.
var poolOf = map[class]store.Pool{control: store.Control, page: store.Pages, report: store.Reports}

// asClass makes everything that a request reads use its class's read pool, and
// what turns out to be a report's work wait for a turn as the asker's report.
func (s *Server) asClass(c class, r *http.Request) *http.Request {
	return r.WithContext(turn.For(store.From(r.Context(), poolOf[c]), s.Reports, clientKey(r)))
}

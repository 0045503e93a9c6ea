package routes

import (
	"net/http"

	"ohmkeep/store"
)

// class says what a route shares with others while it is answered. Every line
// of the tables names one: a line without one fails a test.
type class int

const (
	// control never waits behind a page or a report: stopping, making safe,
	// starting, signing in and out, health, live sockets.
	control class = iota + 1
	// page reads what one screen or one answer holds.
	page
	// report reads as much as there is: its work grows with the history. It
	// waits for its turn and can be put off.
	report
)

// poolOf is the read pool that each class has for itself.
var poolOf = map[class]store.Pool{control: store.Control, page: store.Pages, report: store.Reports}

// inPool has everything that a request reads come from its class's pool.
func (c class) inPool(r *http.Request) *http.Request {
	return r.WithContext(store.From(r.Context(), poolOf[c]))
}

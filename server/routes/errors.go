package routes

import (
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/server/run"
	"ohmkeep/store"
)

// Problem is an error that may be shown: an HTTP status, what is wrong in a
// few words, what to do about it, and the fields at fault. It is written as
// problem details (RFC 9457) by the API and as a page or beside the fields by
// the pages.
type Problem struct {
	Status int          `json:"status"`
	Title  string       `json:"title"`
	Detail string       `json:"detail,omitempty"`
	Fields dut.Problems `json:"fields,omitempty"`
	// Findings are those of the check before power that stand in the way.
	Findings []procedure.Finding `json:"-"`
	ask      *ask                // what is to be confirmed first
}

func (p *Problem) Error() string {
	if p.Detail == "" {
		return p.Title
	}
	return p.Title + ": " + p.Detail
}

// problem makes a Problem with the status's own title.
func problem(status int, detail string) *Problem {
	return &Problem{Status: status, Title: http.StatusText(status), Detail: detail}
}

func notFound(what string) *Problem { return problem(http.StatusNotFound, "There is no "+what+".") }

// invalid is a problem with one field.
func invalid(field, message string) *Problem {
	return invalidFields(dut.Problems{{Field: field, Message: message}})
}

func invalidFields(fields dut.Problems) *Problem {
	return &Problem{Status: http.StatusUnprocessableEntity, Title: "Some entries cannot be used", Detail: fields.Error(), Fields: fields}
}

// classify is the one place where an error becomes a status and a public
// message. What it does not know is logged and never shown.
func classify(err error, log *slog.Logger) *Problem {
	var p *Problem
	var fields dut.Problems
	var number *quantity.Error
	var clash *bench.Clash
	var stored *store.Error
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &p):
		return p
	case errors.As(err, &fields):
		return invalidFields(fields)
	case errors.As(err, &number):
		return problem(http.StatusUnprocessableEntity, number.Error())
	case errors.As(err, &clash):
		return problem(http.StatusConflict, clash.Error())
	case errors.As(err, &tooLarge):
		return problem(http.StatusRequestEntityTooLarge, "What was sent is too large.")
	case errors.Is(err, run.ErrBusy), errors.Is(err, run.ErrHeld), errors.Is(err, run.ErrUnknown):
		return problem(http.StatusConflict, err.Error())
	case errors.Is(err, run.ErrClosed):
		return problem(http.StatusServiceUnavailable, "The server is stopping.")
	case errors.As(err, &stored):
		return &Problem{Status: storeStatus(stored.Code), Title: http.StatusText(storeStatus(stored.Code)), Detail: stored.Message}
	}
	log.Error("request failed", "err", err)
	return problem(http.StatusInternalServerError, "Something went wrong on the server. The log says more.")
}

func storeStatus(code store.Code) int {
	switch code {
	case store.NotFound:
		return http.StatusNotFound
	case store.Conflict:
		return http.StatusConflict
	case store.Invalid:
		return http.StatusUnprocessableEntity
	case store.Denied:
		return http.StatusUnauthorized
	case store.Full:
		return http.StatusInsufficientStorage
	}
	return http.StatusInternalServerError
}

// writeProblem answers an API request with problem details.
func writeProblem(w http.ResponseWriter, r *http.Request, p *Problem) {
	body := struct {
		Type string `json:"type"`
		*Problem
		Findings []apiCheckFinding `json:"findings,omitempty"`
		Confirm  []apiToConfirm    `json:"confirm,omitempty"`
		Instance string            `json:"instance,omitempty"`
	}{"about:blank", p, findingsOf(p.Findings), toConfirm(p.ask), r.URL.Path}
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(p.Status)
	_ = json.NewEncoder(w).Encode(body) // the client has gone
}

// notSafe says why the bench could not be made safe, and what to do, once: what
// the station and the cards say has the same words.
func notSafe(err error) string {
	const check = "Check the bench"
	text := strings.ReplaceAll(err.Error(), run.ErrNotSafe.Error()+": ", "")
	text = strings.TrimSuffix(strings.ReplaceAll(text, ", check the bench", ""), ".")
	if !strings.Contains(text, check) {
		text += ". " + check
	}
	return run.ErrNotSafe.Error() + ": " + text + "."
}

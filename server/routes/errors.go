package routes

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"

	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
)

// Problem is the answer to a request that failed: an HTTP status, what is wrong
// in a few words, what to do about it, and the fields at fault. It is written as
// problem details (RFC 9457) by the API and as a page or beside the fields by
// the pages.
type Problem struct {
	Status int          `json:"status"`
	Title  string       `json:"title"`
	Detail string       `json:"detail,omitempty"`
	Fields dut.Problems `json:"fields,omitempty"`
	// Findings are those of the check before power that stand in the way.
	Findings []procedure.Finding `json:"-"`
	// unconfirmed is what is to be confirmed first.
	unconfirmed *lab.Unconfirmed
}

// statuses is the table from the code of an error to its HTTP status, the only
// one.
var statuses = map[problem.Code]int{
	problem.Malformed:   http.StatusBadRequest,
	problem.Denied:      http.StatusUnauthorized,
	problem.Forbidden:   http.StatusForbidden,
	problem.NotFound:    http.StatusNotFound,
	problem.NoMethod:    http.StatusMethodNotAllowed,
	problem.Conflict:    http.StatusConflict,
	problem.Busy:        http.StatusConflict,
	problem.Held:        http.StatusConflict,
	problem.Outdated:    http.StatusPreconditionFailed,
	problem.TooLarge:    http.StatusRequestEntityTooLarge,
	problem.Unsupported: http.StatusUnsupportedMediaType,
	problem.Invalid:     http.StatusUnprocessableEntity,
	problem.Unguarded:   http.StatusPreconditionRequired,
	problem.Internal:    http.StatusInternalServerError,
	problem.TooNew:      http.StatusInternalServerError,
	problem.Corrupt:     http.StatusInternalServerError,
	problem.Upstream:    http.StatusBadGateway,
	problem.Unavailable: http.StatusServiceUnavailable,
	problem.Full:        http.StatusInsufficientStorage,
}

// classify turns the error of a request into its answer. That its client has given
// up, or that the server stops, is no fault and is not logged as one.
func (s *Server) classify(ctx context.Context, err error) *Problem {
	return classify(gone(ctx, err), s.Log)
}

// fault logs what went wrong beside the answer to a request, unless its client has
// given up.
func (s *Server) fault(ctx context.Context, what string, err error, about ...any) {
	if problem.Of(gone(ctx, err)) == nil {
		s.Log.Error(what, append(about, "err", err)...)
	}
}

// classify turns an error into an answer. An error that may not be shown is logged
// instead.
func classify(err error, log *slog.Logger) *Problem {
	e := problem.Of(err)
	var tooLarge *http.MaxBytesError
	if e == nil && errors.As(err, &tooLarge) {
		e = problem.New(problem.TooLarge, "What was sent is too large.")
	}
	if e == nil {
		log.Error("request failed", "err", err)
		e = problem.New(problem.Internal, "Something went wrong on the server. The log says more.")
	}
	status, known := statuses[e.Code]
	if !known {
		status = http.StatusInternalServerError
	}
	p := &Problem{Status: status, Title: cmp.Or(e.Title, http.StatusText(status)), Detail: e.Message, Fields: e.Fields}
	switch detail := e.Detail.(type) {
	case []procedure.Finding:
		p.Findings = detail
	case *lab.Unconfirmed:
		p.unconfirmed = detail
	}
	return p
}

// writeProblem answers an API request with problem details.
func writeProblem(w http.ResponseWriter, r *http.Request, p *Problem) {
	body := struct {
		Type string `json:"type"`
		*Problem
		Findings []apiCheckFinding `json:"findings,omitempty"`
		Confirm  []apiToConfirm    `json:"confirm,omitempty"`
		Instance string            `json:"instance,omitempty"`
	}{"about:blank", p, findingsOf(p.Findings), toConfirm(p.unconfirmed), r.URL.Path}
	w.Header().Set("Content-Type", "application/problem+json")
	comeAgain(w, p.Status)
	w.WriteHeader(p.Status)
	_ = json.NewEncoder(w).Encode(body) // the client has gone
}

package routes

import (
	"bytes"
	"encoding/json"
	"math"
	"net/http"
	"net/url"
	"reflect"
	"slices"
	"strconv"
	"time"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// endpoints is the table of the API, below /api/v1.
func (s *Server) endpoints() []endpoint {
	table := slices.Concat(s.deviceEndpoints(), s.editingEndpoints(), s.procedureEndpoints(), s.draftEndpoints(), s.benchEndpoints(),
		s.runEndpoints(), s.manualEndpoints(), s.historyEndpoints(), s.shareEndpoints(), s.dataEndpoints(), s.bundleEndpoints(), s.peopleEndpoints(), s.cardEndpoints(), s.benchCheckEndpoints(), s.correctionsEndpoints())
	table = append(table, endpoint{
		route: route{"GET", "/health", store.Nobody, control, s.apiHealth}, id: "health", tag: "server",
		summary: "Whether the server answers, and its version; for who may read also what it knows of itself: disk, damage, reports, link, clock, certificate, backups.", response: apiHealth{},
	})
	about := endpoint{id: "document", tag: "server", summary: "This document.", response: map[string]any{}}
	about.route = route{"GET", "/openapi.json", store.Nobody, page, nil}
	doc := openAPI(s.Version, append(slices.Clone(table), about))
	about.handle = func(w http.ResponseWriter, r *http.Request) error { return reply(w, http.StatusOK, doc) }
	table = append(table, about)
	for i, e := range table {
		table[i] = e.checked()
	}
	return table
}

// apiList is the JSON of one page of a list. Next is the cursor of the page
// that follows.
type apiList[T any] struct {
	Items []T    `json:"items"`
	Next  string `json:"next,omitempty" doc:"cursor of the next page; absent on the last"`
}

// replyList answers with a whole list.
func replyList[T any](w http.ResponseWriter, items []T) error {
	return reply(w, http.StatusOK, apiList[T]{Items: items})
}

// reply answers with JSON. It is written whole before the first byte goes out,
// so that an error never leaves half an answer.
func reply(w http.ResponseWriter, status int, v any) error {
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(filled(reflect.ValueOf(v)).Interface()); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_, _ = buf.WriteTo(w) // the client has gone
	return nil
}

func noContent(w http.ResponseWriter) error {
	w.WriteHeader(http.StatusNoContent)
	return nil
}

// filled returns v with empty lists and maps in place of nil ones, because
// JSON would write nil as null.
func filled(v reflect.Value) reflect.Value {
	switch v.Kind() {
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[time.Time]() {
			return v
		}
		out := reflect.New(v.Type()).Elem()
		out.Set(v)
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				out.Field(i).Set(filled(v.Field(i)))
			}
		}
		return out
	case reflect.Slice:
		return filledSlice(v)
	case reflect.Map:
		out := reflect.MakeMapWithSize(v.Type(), v.Len())
		for k, e := range v.Seq2() {
			out.SetMapIndex(k, filled(e))
		}
		return out
	case reflect.Pointer, reflect.Interface:
		if v.IsNil() {
			return v
		}
		if v.Kind() == reflect.Interface {
			return filled(v.Elem())
		}
		out := reflect.New(v.Type().Elem())
		out.Elem().Set(filled(v.Elem()))
		return out
	}
	return v
}

func filledSlice(v reflect.Value) reflect.Value {
	switch v.Type().Elem().Kind() {
	case reflect.Struct, reflect.Slice, reflect.Map, reflect.Pointer, reflect.Interface:
	default: // nothing inside to fill, and possibly long
		if v.IsNil() && v.Type() != reflect.TypeFor[json.RawMessage]() {
			return reflect.MakeSlice(v.Type(), 0, 0)
		}
		return v
	}
	out := reflect.MakeSlice(v.Type(), v.Len(), v.Len())
	for i := range v.Len() {
		out.Index(i).Set(filled(v.Index(i)))
	}
	return out
}

// apiRevision is one revision of a document.
type apiRevision[T any] struct {
	Rev     int       `json:"rev"`
	Latest  int       `json:"latest"`
	At      time.Time `json:"at"`
	By      string    `json:"by"`
	Removed bool      `json:"removed,omitempty"`
	Body    T         `json:"body"`
}

func revisionOf[T any](r *store.Revised[T]) apiRevision[T] {
	return apiRevision[T]{r.Rev, r.Latest, r.At, r.By, r.Removed, r.Body}
}

func replyRevisions[T any](w http.ResponseWriter, list []store.Revised[T], err error) error {
	return replyPage(w, list, "", err)
}

// documentsPerPage is the default page size of a list of documents, in
// documents.
const documentsPerPage = 500

// documentPages is the query parameters of a paged list of documents.
var documentPages = []param{
	apidoc.Query("limit", "The most documents to answer with; 500 where it is left out.", apidoc.Whole(1, 1000)),
	apidoc.Query("cursor", "Where to go on: next of the answer before.", apidoc.Text(64)),
}

// replyPage answers with a page of documents.
func replyPage[T any](w http.ResponseWriter, list []store.Revised[T], next string, err error) error {
	if problem.CodeOf(err) == problem.Invalid {
		return problem.Field("cursor", err.Error())
	}
	if err != nil {
		return err
	}
	out := make([]apiRevision[T], len(list))
	for i := range list {
		out[i] = revisionOf(&list[i])
	}
	return reply(w, http.StatusOK, apiList[apiRevision[T]]{out, next})
}

// replyRevision answers with one revision, tagged so that an edit can say what
// it started from.
func replyRevision[T any](w http.ResponseWriter, r *store.Revised[T], err error) error {
	if err != nil {
		return err
	}
	w.Header().Set("ETag", entityTag(r.Rev))
	return reply(w, http.StatusOK, revisionOf(r))
}

// apiSaved is the JSON answer to a save: the revision that it made.
type apiSaved struct {
	Rev int `json:"rev"`
}

// replySaved answers a save that started from revision expected.
func replySaved(w http.ResponseWriter, expected, rev int, err error) error {
	switch code := problem.CodeOf(err); {
	case expected > 0 && (code == problem.Conflict || code == problem.NotFound):
		return problem.New(problem.Outdated, err.Error()+": get it again and repeat the edit")
	case expected == 0 && code == problem.Conflict:
		return problem.New(problem.Unguarded, err.Error()+": send its entity tag as If-Match to change it")
	case err != nil:
		return err
	}
	w.Header().Set("ETag", entityTag(rev))
	status := http.StatusOK
	if expected == 0 {
		status = http.StatusCreated
	}
	return reply(w, status, apiSaved{rev})
}

func entityTag(rev int) string { return `"` + strconv.Itoa(rev) + `"` }

// expectedRev reads If-Match: the revision that an edit started from, 0 where
// there is none.
func expectedRev(r *http.Request) (int, error) {
	tag := r.Header.Get("If-Match")
	if tag == "" {
		return 0, nil
	}
	text, err := strconv.Unquote(tag)
	rev, err2 := strconv.Atoi(text)
	if err != nil || err2 != nil || rev < 1 || tag != entityTag(rev) {
		return 0, problem.New(problem.Malformed, `If-Match takes one entity tag as an answer gave it, such as "3".`)
	}
	return rev, nil
}

// sameKey is the check that a body's key equals the key in its address;
// another one is refused.
func sameKey(ps *dut.Problems, field, got, want string) {
	if got != want {
		ps.Add(field, "is %q, but the address says %q", dut.Excerpt(got), dut.Excerpt(want))
	}
}

// revParam is the query parameter that picks a revision of a document.
var revParam = apidoc.Query("rev", "Number of a revision; left out: the latest.", apidoc.Whole(1, math.MaxInt32))

// number returns a whole number from the query, or initial where it is not
// given. The query has passed checked, so it can be read.
func number(q url.Values, name string, initial int) int {
	if n, err := strconv.Atoi(q.Get(name)); err == nil {
		return n
	}
	return initial
}

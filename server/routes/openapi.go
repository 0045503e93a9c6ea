package routes

import (
	"cmp"
	"net/http"
	"net/url"
	"reflect"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// endpoint is one line of the table of the API. The table drives both the
// routing and the document, so that neither can say what the other does not.
type endpoint struct {
	route
	id      string // operationId
	summary string
	tag     string
	query   []param
	// request and response are zero values of the types of the bodies; nil is
	// no body.
	request, response any
	status            int    // of success; 0 is 200
	media             string // of the response where it is not JSON
	requestMedia      string // of a request that is a file
	tagged            bool   // has an entity tag: a revision
}

// param is a parameter in the query.
type param = apidoc.Param

const mediaCSV = "text/csv; charset=utf-8; header=present"

// problemDetails is the schema of the problem details that writeProblem writes
// (RFC 9457).
type problemDetails struct {
	Type     string            `json:"type"`
	Title    string            `json:"title"`
	Status   int               `json:"status"`
	Detail   string            `json:"detail,omitempty" doc:"what is wrong, and what would be right"`
	Fields   []dut.Problem     `json:"fields,omitempty" doc:"the fields at fault, each with its path in the body or its name in the query"`
	Findings []apiCheckFinding `json:"findings,omitempty" doc:"what the check before power found, where that stands in the way of a start"`
	Confirm  []apiToConfirm    `json:"confirm,omitempty" doc:"what is to be confirmed, by name, before a bench with cards is energised"`
	Instance string            `json:"instance,omitempty"`
}

// pathParams describes the variable parts of addresses, by name.
var pathParams = map[string]string{
	"key": "Key of the device, procedure or bench.", "bench": "Key of the bench.",
	"id": "Identifier of the run.", "share": "Number of the shared link.",
	"person": "Number of the person.", "invitation": "Number of the invitation.", "browser": "Number of the browser.", "token": "Number of the token.",
}

// openAPI makes the document (OpenAPI 3.1) of the table.
func openAPI(version string, table []endpoint) *apidoc.Document {
	rows := make([]apidoc.Endpoint, len(table))
	for i := range table {
		rows[i] = table[i].described()
	}
	return apiTypes.Document(apidoc.About{
		Title: "Ohmkeep", Version: version, Description: "Everything that the pages can do. All values are plain numbers in SI base units: " +
			"volts, amperes, ohms, seconds. Errors are problem details (RFC 9457). What a rehearsal bench measured is marked rehearsal.",
		Server: "/api/v1", Token: "A token that a person has made in the browser, or `ohmkeep token`. A signed-in browser needs none.",
		Variables: pathParams, Problem: reflect.TypeFor[problemDetails](),
	}, rows)
}

// described returns the line of the table as the document describes it.
func (e *endpoint) described() apidoc.Endpoint {
	d := apidoc.Endpoint{Method: e.method, Path: e.path, ID: e.id, Summary: e.summary, Tag: e.tag, Query: e.query,
		Status: e.success(), Media: e.media, RequestMedia: e.requestMedia, Tagged: e.tagged}
	if e.role != store.Nobody {
		d.Role = e.role.String()
	}
	if e.request != nil {
		d.Request = reflect.TypeOf(e.request)
	}
	if e.response != nil {
		d.Response = reflect.TypeOf(e.response)
	}
	return d
}

func (e *endpoint) success() int { return cmp.Or(e.status, http.StatusOK) }

// checked is the check of a request's query: parameters that the table does
// not describe are refused, so that a misspelt filter is not silently left
// out.
func (e endpoint) checked() endpoint {
	handle, query := e.handle, e.query
	e.handle = func(w http.ResponseWriter, r *http.Request) error {
		if err := checkQuery(r, query); err != nil {
			return err
		}
		return handle(w, r)
	}
	return e
}

func checkQuery(r *http.Request, params []param) error {
	values, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return problem.New(problem.Malformed, "The query of the address is not well formed.")
	}
	if ps := apidoc.CheckQuery(values, params); len(ps) > 0 {
		return problem.Fields(ps)
	}
	return nil
}

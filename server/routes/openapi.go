package routes

import (
	"encoding/json"
	"net/http"
	"net/url"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

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
	tagged            bool   // has an entity tag: a revision
}

// param is a parameter in the query.
type param struct {
	name, description string
	schema            schema
}

const mediaCSV = "text/csv; charset=utf-8; header=present"

// problemDetails is what writeProblem writes (RFC 9457).
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

type (
	document struct {
		OpenAPI    string                           `json:"openapi"`
		Info       docInfo                          `json:"info"`
		Servers    []docServer                      `json:"servers"`
		Security   []map[string][]string            `json:"security"`
		Tags       []docTag                         `json:"tags"`
		Paths      map[string]map[string]*operation `json:"paths"`
		Components docComponents                    `json:"components"`
	}
	docInfo struct {
		Title       string `json:"title"`
		Version     string `json:"version"`
		Description string `json:"description"`
	}
	docServer struct {
		URL string `json:"url"`
	}
	docTag struct {
		Name string `json:"name"`
	}
	docComponents struct {
		Schemas         map[string]*schema        `json:"schemas"`
		SecuritySchemes map[string]securityScheme `json:"securitySchemes"`
	}
	securityScheme struct {
		Type        string `json:"type"`
		Scheme      string `json:"scheme,omitempty"`
		Description string `json:"description,omitempty"`
	}
	operation struct {
		OperationID string                  `json:"operationId"`
		Summary     string                  `json:"summary"`
		Description string                  `json:"description,omitempty"`
		Tags        []string                `json:"tags"`
		Parameters  []docParam              `json:"parameters,omitempty"`
		RequestBody *docBody                `json:"requestBody,omitempty"`
		Responses   map[string]*docResponse `json:"responses"`
		Security    []map[string][]string   `json:"security,omitempty"`
	}
	docParam struct {
		Name        string `json:"name"`
		In          string `json:"in"`
		Description string `json:"description,omitempty"`
		Required    bool   `json:"required,omitempty"`
		Schema      schema `json:"schema"`
	}
	docBody struct {
		Required bool                `json:"required"`
		Content  map[string]docMedia `json:"content"`
	}
	docMedia struct {
		Schema *schema `json:"schema"`
	}
	docResponse struct {
		Description string              `json:"description"`
		Content     map[string]docMedia `json:"content,omitempty"`
	}
)

// pathParams is what each variable part of an address is.
var pathParams = map[string]string{
	"key": "Key of the device, procedure or bench.", "bench": "Key of the bench.",
	"id": "Identifier of the run.", "share": "Number of the shared link.",
}

var variable = regexp.MustCompile(`\{([a-z]+)\}`)

// openAPI makes the document (OpenAPI 3.1) of a table of endpoints.
func openAPI(version string, table []endpoint) *document {
	set := newSchemas()
	d := &document{
		OpenAPI: "3.1.0",
		Info: docInfo{"Ohmkeep", version, "Everything that the pages can do. All values are plain numbers in SI base units: " +
			"volts, amperes, ohms, seconds. Errors are problem details (RFC 9457). What a rehearsal bench measured is marked rehearsal."},
		Servers:  []docServer{{"/api/v1"}},
		Security: []map[string][]string{{"token": {}}},
		Paths:    map[string]map[string]*operation{},
		Components: docComponents{Schemas: set.Components, SecuritySchemes: map[string]securityScheme{
			"token": {"http", "bearer", "A token from `ohmkeep token`. A signed-in browser needs none."},
		}},
	}
	fault := &docResponse{"What went wrong.", map[string]docMedia{"application/problem+json": {set.of(reflect.TypeFor[problemDetails]())}}}
	for _, e := range table {
		if d.Paths[e.path] == nil {
			d.Paths[e.path] = map[string]*operation{}
		}
		d.Paths[e.path][strings.ToLower(e.method)] = e.operation(set, fault)
		if !slices.Contains(d.Tags, docTag{e.tag}) {
			d.Tags = append(d.Tags, docTag{e.tag})
		}
	}
	return d
}

func (e *endpoint) operation(set *schemas, fault *docResponse) *operation {
	o := &operation{OperationID: e.id, Summary: e.summary, Tags: []string{e.tag},
		Responses: map[string]*docResponse{"default": fault}}
	if e.role == store.Nobody {
		o.Security = []map[string][]string{{}}
	} else {
		o.Description = "Role: " + e.role.String() + "."
	}
	for _, m := range variable.FindAllStringSubmatch(e.path, -1) {
		o.Parameters = append(o.Parameters, docParam{m[1], "path", pathParams[m[1]], true, schema{Type: types{"string"}}})
	}
	for _, q := range e.query {
		o.Parameters = append(o.Parameters, docParam{q.name, "query", q.description, false, q.schema})
	}
	if e.tagged && e.method == http.MethodPut {
		o.Parameters = append(o.Parameters, docParam{Name: "If-Match", In: "header", Schema: schema{Type: types{"string"}},
			Description: "Entity tag of the revision that the edit started from; left out for what is new."})
	}
	if e.request != nil {
		o.RequestBody = &docBody{true, map[string]docMedia{"application/json": {set.of(reflect.TypeOf(e.request))}}}
	}
	o.Responses[strconv.Itoa(e.success())] = e.answer(set)
	if e.tagged && e.method == http.MethodPut {
		o.Responses["201"] = e.answer(set)
	}
	return o
}

func (e *endpoint) answer(set *schemas) *docResponse {
	out := &docResponse{Description: http.StatusText(e.success())}
	switch {
	case e.media != "":
		media, _, _ := strings.Cut(e.media, ";")
		out.Content = map[string]docMedia{media: {&schema{Type: types{"string"}}}}
	case e.response != nil:
		out.Content = map[string]docMedia{"application/json": {set.of(reflect.TypeOf(e.response))}}
	}
	return out
}

func (e *endpoint) success() int {
	if e.status == 0 {
		return http.StatusOK
	}
	return e.status
}

// checked refuses a query that the table does not describe, so that a
// misspelt filter is not a filter that is silently left out.
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
	var ps dut.Problems
	for _, name := range sortedKeys(values) {
		i := slices.IndexFunc(params, func(p param) bool { return p.name == name })
		switch {
		case i < 0:
			ps.Add(brief(name), "is not a parameter of this address")
		case len(values[name]) > 1:
			ps.Add(name, "is given %d times", len(values[name]))
		case values[name][0] != "":
			ps = append(ps, checkParam(&params[i], values[name][0])...)
		}
	}
	if len(ps) > 0 {
		return problem.Fields(ps)
	}
	return nil
}

// checkParam holds one value of the query against its schema.
func checkParam(p *param, text string) dut.Problems {
	var v any = text
	switch p.schema.Type[0] {
	case "integer", "number":
		if v = json.Number(text); !json.Valid([]byte(text)) {
			return dut.Problems{{Field: p.name, Message: strconv.Quote(brief(text)) + " is not a number"}}
		}
	case "boolean":
		if text != "true" && text != "false" {
			return dut.Problems{{Field: p.name, Message: "must be true or false"}}
		}
		return nil
	}
	c := &checker{}
	c.value(p.name, &p.schema, v)
	return c.found
}

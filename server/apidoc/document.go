package apidoc

import (
	"net/http"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Endpoint is one line of the table of an API: what is asked for where, what is
// sent and what is answered. The caller answers by the same table, so that
// neither can say what the other does not.
type Endpoint struct {
	Method, Path string
	ID           string // operationId
	Summary, Tag string
	Role         string // the least role that may ask, in words; "" is anybody
	Query        []Param
	// Request and Response are the types of the bodies; nil is no body.
	Request, Response reflect.Type
	Status            int    // of success
	Media             string // of the response where it is not JSON
	RequestMedia      string // of a request that is a file; "": it is JSON, or there is none
	Tagged            bool   // has an entity tag: a revision
}

// Param is a parameter in the query.
type Param struct {
	Name, Description string
	Schema            Schema
}

// About is what a document says beside its table.
type About struct {
	Title, Version, Description string
	Server                      string            // address that all paths are below
	Token                       string            // how a client gets a bearer token
	Variables                   map[string]string // what each variable part of a path is
	Problem                     reflect.Type      // of the body of every error
}

type (
	// Document is an OpenAPI 3.1 document.
	Document struct {
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
		Schemas         map[string]*Schema        `json:"schemas"`
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
		Schema      Schema `json:"schema"`
	}
	docBody struct {
		Required bool                `json:"required"`
		Content  map[string]docMedia `json:"content"`
	}
	docMedia struct {
		Schema *Schema `json:"schema"`
	}
	docResponse struct {
		Description string              `json:"description"`
		Content     map[string]docMedia `json:"content,omitempty"`
	}
)

var variable = regexp.MustCompile(`\{([a-z]+)\}`)

// Document makes the document of a table of endpoints.
func (ts *Types) Document(about About, table []Endpoint) *Document {
	set := ts.NewMaker()
	d := &Document{
		OpenAPI:  "3.1.0",
		Info:     docInfo{about.Title, about.Version, about.Description},
		Servers:  []docServer{{about.Server}},
		Security: []map[string][]string{{"token": {}}},
		Paths:    map[string]map[string]*operation{},
		Components: docComponents{Schemas: set.Components, SecuritySchemes: map[string]securityScheme{
			"token": {"http", "bearer", about.Token},
		}},
	}
	fault := &docResponse{"What went wrong.", map[string]docMedia{"application/problem+json": {set.Of(about.Problem)}}}
	for i := range table {
		e := &table[i]
		if d.Paths[e.Path] == nil {
			d.Paths[e.Path] = map[string]*operation{}
		}
		d.Paths[e.Path][strings.ToLower(e.Method)] = e.operation(set, about.Variables, fault)
		if !slices.Contains(d.Tags, docTag{e.Tag}) {
			d.Tags = append(d.Tags, docTag{e.Tag})
		}
	}
	return d
}

func (e *Endpoint) operation(set *Maker, variables map[string]string, fault *docResponse) *operation {
	o := &operation{OperationID: e.ID, Summary: e.Summary, Tags: []string{e.Tag},
		Responses: map[string]*docResponse{"default": fault}}
	if e.Role == "" {
		o.Security = []map[string][]string{{}}
	} else {
		o.Description = "Role: " + e.Role + "."
	}
	for _, m := range variable.FindAllStringSubmatch(e.Path, -1) {
		o.Parameters = append(o.Parameters, docParam{m[1], "path", variables[m[1]], true, Text(0)})
	}
	for _, q := range e.Query {
		o.Parameters = append(o.Parameters, docParam{q.Name, "query", q.Description, false, q.Schema})
	}
	if e.Tagged && e.Method == http.MethodPut {
		o.Parameters = append(o.Parameters, docParam{Name: "If-Match", In: "header", Schema: Text(0),
			Description: "Entity tag of the revision that the edit started from; left out for what is new."})
	}
	if e.Request != nil {
		o.RequestBody = &docBody{true, map[string]docMedia{"application/json": {set.Of(e.Request)}}}
	}
	if e.RequestMedia != "" {
		file := Text(0)
		o.RequestBody = &docBody{true, map[string]docMedia{e.RequestMedia: {&file}}}
	}
	o.Responses[strconv.Itoa(e.Status)] = e.answer(set)
	if e.Tagged && e.Method == http.MethodPut {
		o.Responses["201"] = e.answer(set)
	}
	return o
}

func (e *Endpoint) answer(set *Maker) *docResponse {
	out := &docResponse{Description: http.StatusText(e.Status)}
	switch {
	case e.Media != "":
		media, _, _ := strings.Cut(e.Media, ";")
		text := Text(0)
		out.Content = map[string]docMedia{media: {&text}}
	case e.Response != nil:
		out.Content = map[string]docMedia{"application/json": {set.Of(e.Response)}}
	}
	return out
}

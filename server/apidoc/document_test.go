package apidoc

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"

	"ohmkeep/server/dut"

	"github.com/google/go-cmp/cmp"
)

type (
	apiThing struct {
		Key string `json:"key" doc:"stable"`
	}
	apiFault struct {
		Title string `json:"title"`
	}
	apiListOf[T any] struct {
		Items []T `json:"items"`
	}
)

// thingTable has an endpoint of each shape.
var thingTable = []Endpoint{
	{Method: "GET", Path: "/things/{key}", ID: "getThing", Summary: "One.", Tag: "things", Role: "viewer", Response: reflect.TypeFor[apiThing](), Status: 200},
	{Method: "PUT", Path: "/things/{key}", ID: "putThing", Summary: "Store.", Tag: "things", Role: "owner", Request: reflect.TypeFor[apiThing](),
		Response: reflect.TypeFor[apiThing](), Status: 200, Tagged: true},
	{Method: "DELETE", Path: "/things/{key}", ID: "deleteThing", Summary: "Delete.", Tag: "things", Role: "owner", Status: 204},
	{Method: "GET", Path: "/health", ID: "health", Summary: "Alive.", Tag: "server", Media: "text/csv; charset=utf-8", Status: 200,
		Query: []Param{Query("deep", "Look closer.", Flag())}},
}

func thingDocument() *Document {
	return types.Document(About{Title: "Things", Version: "1", Description: "d", Server: "/v1", Token: "t",
		Variables: map[string]string{"key": "Key of the thing."}, Problem: reflect.TypeFor[apiFault]()}, thingTable)
}

// TestDocumentByHand compares the document of a small table with one written by
// hand (OpenAPI 3.1.0).
func TestDocumentByHand(t *testing.T) {
	got, err := json.Marshal(thingDocument())
	if err != nil {
		t.Fatal(err)
	}
	const (
		fault = `"default":{"description":"What went wrong.","content":{"application/problem+json":{"schema":{"$ref":"#/components/schemas/Fault"}}}}`
		thing = `{"application/json":{"schema":{"$ref":"#/components/schemas/Thing"}}}`
		key   = `{"name":"key","in":"path","description":"Key of the thing.","required":true,"schema":{"type":"string"}}`
	)
	want := `{"openapi":"3.1.0","info":{"title":"Things","version":"1","description":"d"},"servers":[{"url":"/v1"}],"security":[{"token":[]}],` +
		`"tags":[{"name":"things"},{"name":"server"}],"paths":{` +
		`"/health":{"get":{"operationId":"health","summary":"Alive.","tags":["server"],"parameters":[{"name":"deep","in":"query","description":"Look closer.","schema":{"type":"boolean"}}],` +
		`"responses":{"200":{"description":"OK","content":{"text/csv":{"schema":{"type":"string"}}}},` + fault + `},"security":[{}]}},` +
		`"/things/{key}":{` +
		`"delete":{"operationId":"deleteThing","summary":"Delete.","description":"Role: owner.","tags":["things"],"parameters":[` + key + `],"responses":{"204":{"description":"No Content"},` + fault + `}},` +
		`"get":{"operationId":"getThing","summary":"One.","description":"Role: viewer.","tags":["things"],"parameters":[` + key + `],"responses":{"200":{"description":"OK","content":` + thing + `},` + fault + `}},` +
		`"put":{"operationId":"putThing","summary":"Store.","description":"Role: owner.","tags":["things"],"parameters":[` + key + `,` +
		`{"name":"If-Match","in":"header","description":"Entity tag of the revision that the edit started from; left out for what is new.","schema":{"type":"string"}}],` +
		`"requestBody":{"required":true,"content":` + thing + `},"responses":{"200":{"description":"OK","content":` + thing + `},"201":{"description":"OK","content":` + thing + `},` + fault + `}}}},` +
		`"components":{"schemas":{` +
		`"Fault":{"type":"object","properties":{"title":{"type":"string"}},"required":["title"],"additionalProperties":false},` +
		`"Thing":{"type":"object","properties":{"key":{"type":"string","description":"stable"}},"required":["key"],"additionalProperties":false}},` +
		`"securitySchemes":{"token":{"type":"http","scheme":"bearer","description":"t"}}}}`
	if diff := cmp.Diff(strings.SplitAfter(want, ","), strings.SplitAfter(string(got), ",")); diff != "" {
		t.Error(diff)
	}
}

// TestComponentNames: types are called after themselves, without the api that
// tells the API's own apart; two of one name are a mistake of the table.
func TestComponentNames(t *testing.T) {
	for typ, want := range map[reflect.Type]string{
		reflect.TypeFor[apiThing]():                         "Thing",
		reflect.TypeFor[sample]():                           "Sample",
		reflect.TypeFor[apiListOf[apiThing]]():              "ListOfOfThing",
		reflect.TypeFor[apiListOf[apiListOf[dut.Device]]](): "ListOfOfListOfOfDevice",
		reflect.TypeFor[dut.Note]():                         "TableNote",
	} {
		if got := componentName(typ); got != want {
			t.Errorf("%s is called %s, want %s", typ, got, want)
		}
	}
	type Thing struct {
		Other int `json:"other"`
	}
	m := types.NewMaker()
	m.Of(reflect.TypeFor[apiThing]())
	m.Of(reflect.TypeFor[apiThing]()) // again: the same
	defer func() {
		if recover() == nil {
			t.Error("two types are called Thing")
		}
	}()
	m.Of(reflect.TypeFor[Thing]())
}

// TestNoSchema: a type that JSON cannot have, and a field that it has no name
// for, are mistakes that every start meets.
func TestNoSchema(t *testing.T) {
	for what, typ := range map[string]reflect.Type{
		"a channel":          reflect.TypeFor[chan int](),
		"a field of no name": reflect.TypeFor[struct{ Bare int }](),
		"a type of no name": reflect.TypeFor[[]struct {
			A int `json:"a"`
		}](),
		"a complex number": reflect.TypeFor[[]complex128](),
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s has a schema", what)
				}
			}()
			types.NewMaker().Of(typ)
		}()
	}
}

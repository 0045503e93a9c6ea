package routes

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/go-chi/chi/v5"
	"github.com/google/go-cmp/cmp"

	"ohmkeep/store"
)

// served is the document as a client gets it.
func served(a *apiRig) map[string]any {
	a.t.Helper()
	out := a.ask(store.Nobody, "GET", "/openapi.json", nil)
	var d map[string]any
	must(a.t, json.Unmarshal(out.body, &d))
	return d
}

// each calls fn for every object in v, with its place.
func each(at string, v any, fn func(at string, o map[string]any)) {
	switch v := v.(type) {
	case map[string]any:
		fn(at, v)
		for _, k := range slices.Sorted(maps.Keys(v)) {
			each(at+"/"+k, v[k], fn)
		}
	case []any:
		for i, e := range v {
			each(fmt.Sprintf("%s/%d", at, i), e, fn)
		}
	}
}

// operations calls fn for every operation of the document.
func operations(t *testing.T, d map[string]any, fn func(path, method string, o map[string]any)) {
	t.Helper()
	for path, item := range d["paths"].(map[string]any) {
		for method, o := range item.(map[string]any) {
			if !slices.Contains([]string{"get", "put", "post", "delete", "patch"}, method) {
				t.Errorf("%s has the field %s", path, method)
			}
			fn(path, method, o.(map[string]any))
		}
	}
}

// TestDocument holds the document against the rules of OpenAPI 3.1 that can be
// broken here: references, parameters, operation ids, response codes.
func TestDocument(t *testing.T) {
	a := newAPI(t)
	d := served(a)
	if d["openapi"] != "3.1.0" || d["info"].(map[string]any)["version"] != "test" {
		t.Errorf("%v, %v", d["openapi"], d["info"])
	}
	components := d["components"].(map[string]any)["schemas"].(map[string]any)
	used := map[string]bool{}
	each("#", d, func(at string, o map[string]any) {
		if ref, ok := o["$ref"].(string); ok {
			name, ours := strings.CutPrefix(ref, "#/components/schemas/")
			if _, there := components[name]; !ours || !there {
				t.Errorf("%s: %s leads nowhere", at, ref)
			}
			used[name] = true
		}
		if required, ok := o["required"].([]any); ok {
			for _, name := range required {
				if _, there := o["properties"].(map[string]any)[name.(string)]; !there {
					t.Errorf("%s: %s is required but not described", at, name)
				}
			}
		}
	})
	for name := range components {
		if !used[name] {
			t.Errorf("component %s is not used", name)
		}
		if !regexp.MustCompile(`^[A-Za-z0-9._-]+$`).MatchString(name) {
			t.Errorf("component name %q", name)
		}
	}
	ids := map[string]string{}
	operations(t, d, func(path, method string, o map[string]any) {
		at, id := method+" "+path, o["operationId"].(string)
		if other, twice := ids[id]; twice || id == "" {
			t.Errorf("%s and %s are both %q", at, other, id)
		}
		ids[id] = at
		checkOperation(t, at, path, method, o)
	})
}

func checkOperation(t *testing.T, at, path, method string, o map[string]any) {
	t.Helper()
	if o["summary"] == "" || len(o["tags"].([]any)) != 1 {
		t.Errorf("%s: no summary or no tag", at)
	}
	inPath, seen := map[string]bool{}, map[string]bool{}
	params, _ := o["parameters"].([]any)
	for _, p := range params {
		p := p.(map[string]any)
		name := fmt.Sprint(p["in"], " ", p["name"])
		if seen[name] || p["schema"] == nil || p["description"] == nil {
			t.Errorf("%s: parameter %s is there twice, or has no schema or description", at, name)
		}
		seen[name] = true
		if p["in"] == "path" {
			inPath[p["name"].(string)] = true
			if p["required"] != true {
				t.Errorf("%s: path parameter %s is not required", at, p["name"])
			}
		}
	}
	for _, m := range regexp.MustCompile(`\{([^}]*)\}`).FindAllStringSubmatch(path, -1) {
		if !inPath[m[1]] {
			t.Errorf("%s: %s is not declared", at, m[1])
		}
		delete(inPath, m[1])
	}
	if len(inPath) > 0 {
		t.Errorf("%s: %v is not in the path", at, inPath)
	}
	responses := o["responses"].(map[string]any)
	good := 0
	for code := range responses {
		if strings.HasPrefix(code, "2") {
			good++
		}
	}
	if good == 0 || responses["default"] == nil {
		t.Errorf("%s: responses %v", at, slices.Sorted(maps.Keys(responses)))
	}
	if body := o["requestBody"]; body != nil && (method == "get" || method == "delete") {
		t.Errorf("%s: has a body", at)
	}
}

// TestDocumentIsTheRoutes: every route is in the document, and the reverse.
func TestDocumentIsTheRoutes(t *testing.T) {
	a := newAPI(t)
	routed, described := map[string]bool{}, map[string]bool{}
	must(t, chi.Walk(a.http.(chi.Routes), func(method, path string, _ http.Handler, _ ...func(http.Handler) http.Handler) error {
		if path, ours := strings.CutPrefix(path, "/api/v1"); ours && path != "/*" {
			routed[strings.ToLower(method)+" "+path] = true
		}
		return nil
	}))
	operations(t, served(a), func(path, method string, _ map[string]any) { described[method+" "+path] = true })
	if len(routed) < 40 {
		t.Errorf("only %d routes found", len(routed))
	}
	for r := range routed {
		if !described[r] {
			t.Errorf("%s is not in the document", r)
		}
	}
	for r := range described {
		if !routed[r] {
			t.Errorf("%s is in the document but not answered", r)
		}
	}
}

// ofOneself is what a viewer may do to their own browsers and tokens.
var ofOneself = []string{"nameBrowser", "endBrowser", "endBrowsers", "createToken", "revokeToken"}

// TestRolesOfTheTable: nothing that changes anything is open to viewers but
// making safe and what is their own, and nothing but the server's own words to strangers.
func TestRolesOfTheTable(t *testing.T) {
	a := newAPI(t)
	for _, e := range a.table {
		switch {
		case e.id == "health", e.id == "document":
			if e.role != store.Nobody {
				t.Errorf("%s: %s", e.id, e.role)
			}
		case e.role == store.Nobody:
			t.Errorf("%s is open to strangers", e.id)
		case e.method != "GET" && e.role < store.Operator && e.id != "makeSafe" && !slices.Contains(ofOneself, e.id):
			t.Errorf("%s: %s", e.id, e.role)
		}
	}
}

// TestFilled: no list or map of an answer is null, and what was given is not
// changed.
func TestFilled(t *testing.T) {
	type inner struct {
		L []string       `json:"l"`
		M map[string]int `json:"m"`
	}
	type outer struct {
		I  []inner          `json:"i"`
		P  *inner           `json:"p"`
		A  any              `json:"a"`
		MM map[string]inner `json:"mm"`
		R  json.RawMessage  `json:"r"`
	}
	in := outer{I: []inner{{}}, P: &inner{}, A: inner{}, MM: map[string]inner{"x": {}}}
	got, err := json.Marshal(filled(reflect.ValueOf(in)).Interface())
	const empty = `{"l":[],"m":{}}`
	want := `{"i":[` + empty + `],"p":` + empty + `,"a":` + empty + `,"mm":{"x":` + empty + `},"r":null}`
	if err != nil || string(got) != want {
		t.Errorf("%s, %v", got, err)
	}
	if in.I[0].L != nil || in.P.M != nil || in.MM["x"].L != nil {
		t.Error("the value itself was changed")
	}
}

// TestDocumentIsAsReleased compares the document with the one that clients were
// given, byte for byte. A wanted change is written with
// OHMKEEP_GOLDEN=1 go test ./server/routes -run DocumentIsAsReleased
// and explained in the commit.
func TestDocumentIsAsReleased(t *testing.T) {
	a := newAPI(t)
	for file, address := range map[string]string{"openapi.json": "/openapi.json", "procedure.json": "/schemas/procedure.json"} {
		got := a.ask(store.Viewer, "GET", address, nil).body
		path := filepath.Join("testdata", file)
		if os.Getenv("OHMKEEP_GOLDEN") != "" {
			must(t, os.WriteFile(path, got, 0o644))
		}
		want, err := os.ReadFile(path)
		must(t, err)
		if diff := cmp.Diff(strings.SplitAfter(string(want), ","), strings.SplitAfter(string(got), ",")); diff != "" {
			t.Errorf("%s changed: %d bytes, were %d\n%.4000s", address, len(got), len(want), diff)
		}
	}
}

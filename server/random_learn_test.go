package main

import (
	"bytes"
	"encoding/json"
	"io"
	"maps"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strings"
)

// operation is a method of a path, as the API's document or a page's form has it.
type operation struct {
	method, path string
	query        []queryParam
	body         map[string]any // the schema; nil: none
	form         url.Values     // fields of a page's form with the values in it; nil: none
}

type queryParam struct {
	name   string
	schema map[string]any
}

// learn reads the API's document, what the lab answers to every GET, and the forms
// of its pages.
func (d *drawer) learn(c *apiClient) []operation {
	c.t.Helper()
	var doc struct {
		Paths      map[string]map[string]map[string]any
		Components struct{ Schemas map[string]any }
	}
	_, text, err := c.try("GET", "/openapi.json", nil)
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.UseNumber()
	if err != nil || dec.Decode(&doc) != nil {
		c.t.Fatalf("the API's document: %v %.500s", err, text)
	}
	d.components = doc.Components.Schemas
	var table []operation
	for _, path := range slices.Sorted(maps.Keys(doc.Paths)) {
		for _, method := range slices.Sorted(maps.Keys(doc.Paths[path])) {
			table = append(table, operationOf(strings.ToUpper(method), path, doc.Paths[path][method]))
			if method == "get" {
				d.harvest(c, path, doc.Paths[path][method])
			}
		}
	}
	for i := range table {
		table[i].path = "/api/v1" + table[i].path
	}
	for name := range d.known {
		if strings.HasPrefix(name, "/") {
			d.known["/api/v1"+name] = d.known[name]
		}
	}
	return append(table, d.forms(c)...)
}

func operationOf(method, path string, op map[string]any) operation {
	out := operation{method: method, path: path}
	params, _ := op["parameters"].([]any)
	for _, p := range params {
		p := p.(map[string]any)
		if p["in"] == "query" {
			out.query = append(out.query, queryParam{p["name"].(string), p["schema"].(map[string]any)})
		}
	}
	if body, ok := op["requestBody"].(map[string]any); ok {
		out.body = jsonSchema(body)
	}
	return out
}

// jsonSchema is the schema of the JSON of a request or an answer; nil: it is none.
func jsonSchema(content map[string]any) map[string]any {
	of, _ := content["content"].(map[string]any)
	media, _ := of["application/json"].(map[string]any)
	schema, _ := media["schema"].(map[string]any)
	return schema
}

// harvest keeps what a GET answers, for a few of the things that its path may name.
func (d *drawer) harvest(c *apiClient, path string, op map[string]any) {
	answers, _ := op["responses"].(map[string]any)
	ok, _ := answers["200"].(map[string]any)
	schema := jsonSchema(ok)
	if schema == nil {
		return
	}
	for range 3 {
		_, text, err := c.try("GET", d.address(path), nil)
		var v any
		dec := json.NewDecoder(bytes.NewReader(text))
		dec.UseNumber()
		if err != nil || dec.Decode(&v) != nil {
			continue
		}
		d.keep(schema, v, "")
		if !strings.Contains(path, "{") || strings.Count(path, "{") == 1 {
			d.keepNames(path, v)
		}
		if !strings.Contains(path, "{") {
			return
		}
	}
}

// knownMost is how many values of a name are kept.
const knownMost = 40

func (d *drawer) add(name string, v any) {
	if len(d.known[name]) < knownMost {
		d.known[name] = append(d.known[name], v)
	}
}

// keep keeps a value and its parts, by component and by field.
func (d *drawer) keep(s map[string]any, v any, name string) {
	if ref, ok := s["$ref"].(string); ok {
		component := strings.TrimPrefix(ref, componentPrefix)
		d.add("#"+component, v)
		s = d.components[component].(map[string]any)
	}
	switch v := v.(type) {
	case map[string]any:
		named, _ := s["properties"].(map[string]any)
		of, _ := s["additionalProperties"].(map[string]any)
		for _, key := range slices.Sorted(maps.Keys(v)) {
			if at, ok := named[key].(map[string]any); ok {
				d.keep(at, v[key], key)
			} else if of != nil {
				d.keep(of, v[key], name)
			}
		}
	case []any:
		if items, ok := s["items"].(map[string]any); ok {
			for _, x := range v[:min(len(v), 30)] {
				d.keep(items, x, name)
			}
		}
	case nil:
	default:
		if name != "" {
			d.add(name, v)
		}
	}
}

// keepNames keeps what names the things of a list, by the list's path.
func (d *drawer) keepNames(path string, v any) {
	list, _ := v.(map[string]any)
	items, _ := list["items"].([]any)
	for _, x := range items {
		item, _ := x.(map[string]any)
		if body, ok := item["body"].(map[string]any); ok {
			item = body
		}
		for _, name := range []string{"id", "key"} {
			if v, ok := item[name]; ok {
				d.add(path, v)
			}
		}
		if bench, ok := item["bench"]; ok && strings.HasSuffix(path, "pinmaps") {
			d.add(path, bench)
		}
	}
}

var (
	formTag  = regexp.MustCompile(`(?s)<form[^>]*action="([^"]*)"[^>]*>(.*?)</form>`)
	fieldTag = regexp.MustCompile(`<(?:input|select|textarea|button)[^>]*\bname="([^"]+)"[^>]*>`)
	valueTag = regexp.MustCompile(`\bvalue="([^"]*)"`)
)

// forms lists the pages, and the forms on them, by the table of who may do what:
// it names every route.
func (d *drawer) forms(c *apiClient) (out []operation) {
	text, err := os.ReadFile("routes/testdata/access.txt")
	if err != nil {
		c.t.Fatal(err)
	}
	unescape := strings.NewReplacer("&#34;", `"`, "&amp;", "&", "&#39;", "'", "&lt;", "<", "&gt;", ">")
	fields := map[string]url.Values{} // by the path of the form's action
	var pages, acts []operation
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(line)
		if len(f) != 3 || strings.HasPrefix(f[2], "/api/") || strings.HasSuffix(f[2], "/live") {
			continue
		}
		if f[1] != "GET" {
			acts = append(acts, operation{method: f[1], path: f[2]})
			continue
		}
		pages = append(pages, operation{method: "GET", path: f[2]})
		if strings.Contains(f[2], ".") || strings.HasPrefix(f[2], "/s/") {
			continue
		}
		for _, form := range formTag.FindAllStringSubmatch(d.page(c, f[2]), -1) {
			at, _, _ := strings.Cut(unescape.Replace(form[1]), "?")
			if fields[at] == nil {
				fields[at] = url.Values{}
			}
			for _, field := range fieldTag.FindAllStringSubmatch(form[2], -1) {
				value := ""
				if v := valueTag.FindStringSubmatch(field[0]); v != nil {
					value = unescape.Replace(v[1])
				}
				fields[at].Add(field[1], value)
			}
		}
	}
	for _, act := range acts {
		pattern := regexp.MustCompile("^" + regexp.MustCompile(`\\\{[^}]*\\\}`).ReplaceAllString(regexp.QuoteMeta(act.path), "[^/]+") + "$")
		act.form = url.Values{}
		for _, at := range slices.Sorted(maps.Keys(fields)) {
			if pattern.MatchString(at) {
				for name, values := range fields[at] {
					act.form[name] = append(act.form[name], values...)
				}
			}
		}
		out = append(out, act)
	}
	return append(out, pages...)
}

// page fetches a page with places filled in; whatever it is answered.
func (d *drawer) page(c *apiClient, path string) string {
	r, err := http.NewRequest("GET", c.base+d.address(path), nil)
	if err != nil {
		return ""
	}
	r.Header.Set("Authorization", "Bearer "+c.token)
	resp, err := c.http.Do(r)
	if err != nil {
		c.t.Fatal(err)
	}
	defer resp.Body.Close()
	text, _ := io.ReadAll(resp.Body) // a report that breaks off has no forms
	return string(text)
}

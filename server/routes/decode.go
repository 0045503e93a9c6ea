package routes

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"reflect"
	"strconv"
	"sync"
	"unicode/utf8"

	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
)

// maxDepth bounds how deep the values of a body may be nested.
const maxDepth = 32

// decode reads the JSON body of a request. It is as strict as the API's
// document: the content type must say JSON (415), the body must be one valid
// JSON value in UTF-8 without duplicate names (400), and it must be what the
// schema of T says, with nothing missing and nothing unknown (422, each fault
// with the path of its field). Ranges of numbers beyond those of their type are
// for the caller.
func decode[T any](r *http.Request) (T, error) {
	var v T
	if err := wantJSON(r.Header.Get("Content-Type")); err != nil {
		return v, err
	}
	body, err := io.ReadAll(http.MaxBytesReader(nil, r.Body, maxBody))
	if err != nil {
		if tooLarge := new(http.MaxBytesError); errors.As(err, &tooLarge) {
			return v, err
		}
		return v, problem.New(problem.Malformed, "The request's body could not be read whole.")
	}
	return decodeBytes[T](body)
}

func decodeBytes[T any](body []byte) (T, error) {
	var v, zero T
	tree, err := parseTree(body)
	if err != nil {
		return zero, err
	}
	shape := bodyShapeOf(reflect.TypeFor[T]())
	if ps := shape.set.check(shape.root, tree); len(ps) > 0 {
		return zero, problem.Fields(ps)
	}
	if err := json.Unmarshal(body, &v); err != nil {
		return zero, notUnmarshalled(err)
	}
	return v, nil
}

// notUnmarshalled is for what a schema cannot express.
func notUnmarshalled(err error) error {
	if syntax := new(json.SyntaxError); errors.As(err, &syntax) {
		return brokenAt(syntax.Offset)
	}
	field := "body"
	if wrong := new(json.UnmarshalTypeError); errors.As(err, &wrong) && wrong.Field != "" {
		field = wrong.Field
	}
	return problem.Field(field, "is of the wrong type or out of range")
}

func wantJSON(contentType string) error {
	media, params, err := mime.ParseMediaType(contentType)
	if err != nil || media != "application/json" {
		return problem.New(problem.Unsupported, "Send the body as Content-Type: application/json.")
	}
	if c := params["charset"]; c != "" && c != "utf-8" && c != "UTF-8" {
		return problem.New(problem.Unsupported, "JSON is sent in UTF-8.")
	}
	return nil
}

// bodyShape is the schema of one type with what it refers to.
type bodyShape struct {
	set  *schemas
	root *schema
}

var bodyShapes sync.Map // reflect.Type → bodyShape

func bodyShapeOf(t reflect.Type) bodyShape {
	if s, ok := bodyShapes.Load(t); ok {
		return s.(bodyShape)
	}
	set := newSchemas()
	s := bodyShape{set, set.of(t)}
	bodyShapes.Store(t, s)
	return s
}

// parseTree reads one JSON value. Numbers stay text.
func parseTree(body []byte) (any, error) {
	if len(bytes.TrimSpace(body)) == 0 {
		return nil, problem.New(problem.Malformed, "The body is empty; a JSON object is expected.")
	}
	if !utf8.Valid(body) {
		return nil, problem.New(problem.Malformed, "The body is not valid UTF-8.")
	}
	dec := json.NewDecoder(bytes.NewReader(body))
	dec.UseNumber()
	p := parser{dec}
	v, err := p.value("", 0)
	if err != nil {
		return nil, err
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, problem.New(problem.Malformed, "Something follows the JSON value.")
	}
	return v, nil
}

type parser struct{ dec *json.Decoder }

func (p parser) value(at string, depth int) (any, error) {
	if depth > maxDepth {
		return nil, problem.New(problem.Malformed, "The JSON is nested deeper than "+strconv.Itoa(maxDepth)+" levels.")
	}
	token, err := p.dec.Token()
	if err != nil {
		return nil, p.broken(err)
	}
	switch token {
	case json.Delim('{'):
		return p.object(at, depth)
	case json.Delim('['):
		return p.array(at, depth)
	}
	return token, nil
}

func (p parser) object(at string, depth int) (any, error) {
	out := map[string]any{}
	for p.dec.More() {
		token, err := p.dec.Token()
		if err != nil {
			return nil, p.broken(err)
		}
		name, _ := token.(string) // the decoder lets nothing else stand here
		if _, twice := out[name]; twice {
			return nil, &problem.Error{Code: problem.Malformed, Message: "A name stands twice in one object.",
				Fields: dut.Problems{{Field: join(at, brief(name)), Message: "is given twice"}}}
		}
		if out[name], err = p.value(join(at, brief(name)), depth+1); err != nil {
			return nil, err
		}
	}
	return out, p.close()
}

func (p parser) array(at string, depth int) (any, error) {
	out := []any{}
	for i := 0; p.dec.More(); i++ {
		v, err := p.value(at+"["+strconv.Itoa(i)+"]", depth+1)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, p.close()
}

func (p parser) close() error {
	if _, err := p.dec.Token(); err != nil {
		return p.broken(err)
	}
	return nil
}

func (p parser) broken(err error) error {
	at := p.dec.InputOffset()
	if syntax := new(json.SyntaxError); errors.As(err, &syntax) {
		at = syntax.Offset
	}
	return brokenAt(at)
}

func brokenAt(offset int64) error {
	return problem.New(problem.Malformed, "The body is not valid JSON: it goes wrong at byte "+strconv.FormatInt(offset, 10)+".")
}

package apidoc

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"reflect"
	"strconv"
	"unicode/utf8"

	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
)

// maxDepth bounds how deep the values of a body may be nested.
const maxDepth = 32

// Decode reads a body. It is as strict as the API's document: the body must be
// one valid JSON value in UTF-8 without duplicate names (problem.Malformed), and
// it must be what the schema of T says, with nothing missing and nothing unknown
// (problem.Invalid, each fault with the path of its field, at most 50). Ranges of
// numbers beyond those of their type are for the caller.
func Decode[T any](ts *Types, text []byte) (T, error) {
	var v, zero T
	if err := ts.Check(reflect.TypeFor[T](), text); err != nil {
		return zero, err
	}
	if err := json.Unmarshal(text, &v); err != nil {
		return zero, notUnmarshalled(err)
	}
	return v, nil
}

// Check holds a body against the schema of a type, as Decode does.
func (ts *Types) Check(t reflect.Type, text []byte) error {
	tree, err := parseTree(text)
	if err != nil {
		return err
	}
	b := ts.bodyOf(t)
	if ps := b.set.check(b.root, tree); len(ps) > 0 {
		return problem.Fields(ps)
	}
	return nil
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

// body is the schema of one type with what it refers to.
type body struct {
	set  *Maker
	root *Schema
}

func (ts *Types) bodyOf(t reflect.Type) body {
	if b, ok := ts.bodies.Load(t); ok {
		return b.(body)
	}
	set := ts.NewMaker()
	b := body{set, set.Of(t)}
	ts.bodies.Store(t, b)
	return b
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

// parser reads a JSON value token by token, so that a name that stands twice is
// seen.
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
				Fields: dut.Problems{{Field: join(at, dut.Excerpt(name)), Message: "is given twice"}}}
		}
		if out[name], err = p.value(join(at, dut.Excerpt(name)), depth+1); err != nil {
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

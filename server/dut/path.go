package dut

import (
	"errors"
	"iter"
	"strconv"
	"strings"
)

// Path is the place of a field in a document, as Problem.Field writes it:
// names with dots between them and indexes in brackets, such as
// "pins[3].maxV". Paths are comparable; the zero Path is the document itself.
// They are made by Name and Index and read by ParsePath, here and nowhere
// else, so that what one package writes another can follow.
type Path struct{ text string }

// Part is one step of a path: a name, or an index where Name is empty.
type Part struct {
	Name  string
	Index int
}

// maxPathIndex bounds an index: more than any list of a document has.
const maxPathIndex = 999_999_999

var errPath = errors.New("not a path such as pins[3].maxV")

// At is the path of a field of the document itself. It panics on a name that
// cannot stand in a path, which is a mistake in the caller.
func At(name string) Path { return Path{}.Name(name) }

// Name is the path of a field of what p leads to. It panics on a name that
// cannot stand in a path, which is a mistake in the caller.
func (p Path) Name(name string) Path {
	if !isPathName(name) {
		panic("dut: " + strconv.Quote(name) + " is no name of a field")
	}
	if p.text == "" {
		return Path{name}
	}
	return Path{p.text + "." + name}
}

// Index is the path of element i, from 0, of the list that p leads to.
func (p Path) Index(i int) Path {
	if i < 0 || i > maxPathIndex {
		panic("dut: no index of a path: " + strconv.Itoa(i))
	}
	return Path{p.text + "[" + strconv.Itoa(i) + "]"}
}

// String writes the path as Problem.Field has it.
func (p Path) String() string { return p.text }

// Join is the path of a field whose place inside what p leads to is rest.
func (p Path) Join(rest Path) Path {
	switch {
	case p.text == "":
		return rest
	case rest.text == "" || rest.text[0] == '[':
		return Path{p.text + rest.text}
	}
	return Path{p.text + "." + rest.text}
}

// Parts are the steps of the path in order.
func (p Path) Parts() []Part {
	var out []Part
	for part := range p.steps() {
		out = append(out, part)
	}
	return out
}

// ParsePath reads a path. It fails on anything that String does not write.
func ParsePath(text string) (Path, error) {
	p := Path{text}
	var again Path
	for part, ok := range p.steps() {
		if !ok {
			return Path{}, errPath
		}
		if part.Name != "" {
			again = again.Name(part.Name)
		} else {
			again = again.Index(part.Index)
		}
	}
	if again != p { // an index with leading zeros, a dot too many
		return Path{}, errPath
	}
	return p, nil
}

// steps goes through the parts; ok is false at the first that is none.
func (p Path) steps() iter.Seq2[Part, bool] {
	return func(yield func(Part, bool) bool) {
		rest := p.text
		for rest != "" {
			part, after, ok := firstPart(rest)
			if !yield(part, ok) || !ok {
				return
			}
			rest = after
		}
	}
}

// firstPart cuts the first step off a path.
func firstPart(text string) (part Part, rest string, ok bool) {
	if after, index := strings.CutPrefix(text, "["); index {
		digits, rest, closed := strings.Cut(after, "]")
		n, err := strconv.Atoi(digits)
		ok = closed && err == nil && n >= 0 && n <= maxPathIndex
		return Part{Index: n}, rest, ok
	}
	text = strings.TrimPrefix(text, ".")
	end := strings.IndexAny(text, ".[")
	if end < 0 {
		end = len(text)
	}
	return Part{Name: text[:end]}, text[end:], isPathName(text[:end])
}

func isPathName(name string) bool {
	return name != "" && !strings.ContainsAny(name, ".[]")
}

// Excerpt cuts a text that somebody typed to at most 40 characters, for a
// message that repeats it.
func Excerpt(text string) string { return clip(text, 40) }

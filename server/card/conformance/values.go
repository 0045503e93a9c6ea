package conformance

import (
	"strconv"
	"strings"
)

// value is the replacement of a placeholder in braces: its text, or why there
// is none.
type value struct{ text, missing string }

// values are the replacements of the placeholders of a channel's messages, by
// name.
type values map[string]value

func (v values) set(name, text string)         { v[name] = value{text: text} }
func (v values) number(name string, x float64) { v.set(name, number(x)) }
func (v values) missing(name, because string)  { v[name] = value{missing: because} }
func number(x float64) string                  { return strconv.FormatFloat(x, 'G', -1, 64) }

// fill replaces the placeholders of a text by their values. It returns a skip
// where there is no such value.
func (v values) fill(text string) (string, error) {
	var err error
	out := v.each(text, func(name string) string {
		x, known := v[name]
		switch {
		case !known:
			err = skip("the check has no value for {" + name + "}")
		case x.missing != "" && err == nil:
			err = skip(x.missing)
		}
		return x.text
	})
	return out, err
}

// show is fill for a person: what is missing stays in its braces.
func (v values) show(text string) string {
	return v.each(text, func(name string) string {
		if x := v[name]; x.text != "" {
			return x.text
		}
		return "{" + name + "}"
	})
}

// each replaces every {name}.
func (v values) each(text string, by func(name string) string) string {
	var b strings.Builder
	for {
		before, rest, found := strings.Cut(text, "{")
		b.WriteString(before)
		name, after, closed := strings.Cut(rest, "}")
		if !found || !closed {
			return b.String()
		}
		b.WriteString(by(name))
		text = after
	}
}

package apidoc

import (
	"encoding/json"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"ohmkeep/server/dut"
)

// maxProblems bounds how many faults of one document are reported.
const maxProblems = 50

// checker holds a parsed JSON value against a schema. Properties that the
// schema does not name are faults.
type checker struct {
	set   *Maker
	found dut.Problems
}

// check reports every fault of v, at most maxProblems. The value is made of
// map[string]any, []any, string, json.Number, bool and nil.
func (m *Maker) check(x *Schema, v any) dut.Problems {
	c := &checker{set: m}
	c.value("", x, v)
	return c.found
}

func (c *checker) add(at, format string, args ...any) {
	if len(c.found) < maxProblems {
		if at == "" {
			at = "body"
		}
		c.found.Add(at, format, args...)
	}
}

func (c *checker) value(at string, x *Schema, v any) {
	x = c.set.resolve(x)
	if len(x.OneOf) == 2 { // a component or null
		if v != nil {
			c.value(at, x.OneOf[0], v)
		}
		return
	}
	if len(x.Type) == 0 {
		return
	}
	if v == nil {
		if !slices.Contains(x.Type, "null") {
			c.add(at, "must not be null")
		}
		return
	}
	switch v := v.(type) {
	case map[string]any:
		c.object(at, x, v)
	case []any:
		c.array(at, x, v)
	case string:
		c.text(at, x, v)
	case json.Number:
		c.number(at, x, v)
	case bool:
		c.is(at, x, "boolean", "true or false")
	}
}

// is reports a value of another JSON type than the schema's.
func (c *checker) is(at string, x *Schema, got, name string) bool {
	if x.Type[0] == got {
		return true
	}
	c.add(at, "must be %s, not %s", typeNames[x.Type[0]], name)
	return false
}

var typeNames = map[string]string{
	"object": "an object", "array": "a list", "string": "a text", "number": "a number",
	"integer": "a whole number", "boolean": "true or false", "null": "null",
}

func (c *checker) object(at string, x *Schema, v map[string]any) {
	if !c.is(at, x, "object", "an object") {
		return
	}
	for _, name := range x.Required {
		if _, given := v[name]; !given {
			c.add(join(at, name), "is missing")
		}
	}
	for _, name := range slices.Sorted(maps.Keys(v)) {
		p := x.Properties[name]
		switch {
		case p != nil:
			c.value(join(at, name), p, v[name])
		case x.AdditionalProperties.Of == nil:
			c.add(join(at, dut.Excerpt(name)), "is not known here")
		case x.PropertyNames != nil && !wholeNumberPattern.MatchString(name):
			c.add(at+"["+dut.Excerpt(name)+"]", "must be named by a whole number")
		case x.PropertyNames != nil:
			c.value(at+"["+name+"]", x.AdditionalProperties.Of, v[name])
		default:
			c.value(join(at, dut.Excerpt(name)), x.AdditionalProperties.Of, v[name])
		}
	}
}

var wholeNumberPattern = regexp.MustCompile(wholeNumber)

func join(at, name string) string {
	if at == "" {
		return name
	}
	return at + "." + name
}

func (c *checker) array(at string, x *Schema, v []any) {
	if !c.is(at, x, "array", "a list") {
		return
	}
	for i, e := range v {
		c.value(at+"["+strconv.Itoa(i)+"]", x.Items, e)
	}
}

func (c *checker) text(at string, x *Schema, v string) {
	if !c.is(at, x, "string", "a text") {
		return
	}
	switch {
	case strings.ContainsRune(v, 0):
		c.add(at, "must not hold a zero character")
	case x.Enum != nil && !slices.Contains(x.Enum, v):
		c.add(at, "%s is not one of %s", strconv.Quote(dut.Excerpt(v)), strings.Join(x.Enum, ", "))
	case x.MaxLength > 0 && utf8.RuneCountInString(v) > x.MaxLength:
		c.add(at, "has %d characters; at most %d fit", utf8.RuneCountInString(v), x.MaxLength)
	case x.Format == "date-time":
		if _, err := time.Parse(time.RFC3339, v); err != nil || !dateTimePattern.MatchString(v) {
			c.add(at, "must be a time such as 2030-01-31T15:04:05Z")
		}
	}
}

// dateTimePattern is how RFC 3339 writes a time. time.Parse also reads an hour of
// one digit and a comma before the fraction, which the format date-time has not.
var dateTimePattern = regexp.MustCompile(`^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$`)

func (c *checker) number(at string, x *Schema, v json.Number) {
	if x.Type[0] == "integer" {
		c.whole(at, x, v)
		return
	}
	if !c.is(at, x, "number", "a number") {
		return
	}
	if f, err := v.Float64(); err != nil || math.IsInf(f, 0) {
		c.add(at, "%s is beyond what a number can hold", dut.Excerpt(v.String()))
	}
}

func (c *checker) whole(at string, x *Schema, v json.Number) {
	s := v.String()
	if strings.ContainsAny(s, ".eE") {
		c.add(at, "must be a whole number, not %s", dut.Excerpt(s))
		return
	}
	var err error
	if x.Format == "uint64" {
		if _, err = strconv.ParseUint(s, 10, 64); err != nil {
			c.add(at, "must be a whole number from 0 to 18446744073709551615, not %s", dut.Excerpt(s))
		}
		return
	}
	n, err := strconv.ParseInt(s, 10, 64)
	switch f := float64(n); {
	case err != nil:
		c.add(at, "%s is beyond what a whole number can hold", dut.Excerpt(s))
	case x.Minimum != nil && f < *x.Minimum, x.Maximum != nil && f > *x.Maximum:
		c.add(at, "must be %s, not %s", between(x.Minimum, x.Maximum), dut.Excerpt(s))
	}
}

// between names bounds, one of which may be open.
func between(low, high *float64) string {
	switch f := func(v *float64) string { return strconv.FormatFloat(*v, 'g', -1, 64) }; {
	case low == nil:
		return "at most " + f(high)
	case high == nil:
		return "at least " + f(low)
	default:
		return f(low) + " to " + f(high)
	}
}

package routes

import (
	"net/url"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
	"ohmkeep/web"
)

func typedOrNothing(v float64, unit quantity.Unit) string {
	if v == 0 {
		return ""
	}
	return web.Exact(v, unit)
}

// fields reads cells and gathers what is wrong with them.
type fields struct {
	values   url.Values
	problems dut.Problems
}

// quantity reads a quantity; nothing is zero.
func (f *fields) quantity(field, text string, unit quantity.Unit) float64 {
	if text == "" {
		return 0
	}
	v, err := quantity.Parse(text, unit)
	if err != nil {
		f.problems.Add(field, "%s", err.Error())
	}
	return v
}

// whole reads a whole number of at most four digits.
func (f *fields) whole(field, text string) int {
	text = strings.TrimSpace(text)
	if text == "" {
		f.problems.Add(field, "enter a number")
		return 0
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < -9999 || n > 9999 {
		f.problems.Add(field, "%q is not a whole number such as 14", dut.Excerpt(text))
		return 0
	}
	return n
}

// cell is row i of one column, without blanks around it.
func cell(v url.Values, column string, i int) string {
	if list := v[column]; i < len(list) {
		return strings.TrimSpace(list[i])
	}
	return ""
}

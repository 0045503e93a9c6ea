package apidoc

import (
	"encoding/json"
	"maps"
	"net/url"
	"slices"
	"strconv"

	"ohmkeep/server/dut"
)

// Query is a parameter in the query.
func Query(name, description string, schema Schema) Param {
	return Param{Name: name, Description: description, Schema: schema}
}

// CheckQuery holds the query of a request against the parameters of its
// endpoint: a misspelt filter must not be one that is silently left out. An
// empty value is one that was left out.
func CheckQuery(values url.Values, params []Param) dut.Problems {
	var ps dut.Problems
	for _, name := range slices.Sorted(maps.Keys(values)) {
		i := slices.IndexFunc(params, func(p Param) bool { return p.Name == name })
		switch {
		case i < 0:
			ps.Add(dut.Excerpt(name), "is not a parameter of this address")
		case len(values[name]) > 1:
			ps.Add(name, "is given %d times", len(values[name]))
		case values[name][0] != "":
			ps = append(ps, params[i].Check(values[name][0])...)
		}
	}
	return ps
}

// Check holds one value of the query against its schema.
func (p *Param) Check(text string) dut.Problems {
	var v any = text
	switch p.Schema.Type[0] {
	case "integer", "number":
		if v = json.Number(text); !json.Valid([]byte(text)) {
			return dut.Problems{{Field: p.Name, Message: strconv.Quote(dut.Excerpt(text)) + " is not a number"}}
		}
	case "boolean":
		if text != "true" && text != "false" {
			return dut.Problems{{Field: p.Name, Message: "must be true or false"}}
		}
		return nil
	}
	c := &checker{}
	c.value(p.Name, &p.Schema, v)
	return c.found
}

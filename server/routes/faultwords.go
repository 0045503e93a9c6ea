package routes

import (
	"fmt"
	"net/url"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/form"
	"ohmkeep/server/lab"
	"ohmkeep/server/quantity"
	"ohmkeep/web"
)

// fieldWords are the fields of a fault as the forms ask for them.
var fieldWords = map[string]string{
	"pin": "pin", "pin2": "pin", "mux": "multiplexer", "path": "path", "channel": "channel", "contact": "contact", "contact2": "contact",
}

// faultChoices says how the forms ask for each kind of fault.
func faultChoices(kinds []bench.FaultKind) []web.FaultChoice {
	var out []web.FaultChoice
	for _, k := range kinds {
		c := web.FaultChoice{Key: k.Kind, Label: k.Title}
		for _, f := range k.Fields {
			switch {
			case f == "value" && k.Unit == string(quantity.Ohm):
				c.ValueLabel, c.Unit = "resistance", quantity.Ohm
			case f == "value":
				c.ValueLabel = "part, such as 2 %"
			case c.At == "":
				c.At = fieldWords[f]
			default:
				c.Other = fieldWords[f]
			}
		}
		out = append(out, c)
	}
	return out
}

func unitFaultChoices(b *lab.Bench) []web.FaultChoice {
	return faultChoices(b.Rehearse.UnitFaultKinds())
}

func benchFaultChoices(b *lab.Bench) []web.FaultChoice {
	return faultChoices(b.Rehearse.BenchFaultKinds())
}

func choiceOf(kinds []web.FaultChoice, key string) web.FaultChoice {
	for _, c := range kinds {
		if c.Key == key {
			return c
		}
	}
	return web.FaultChoice{Key: key, Label: key, At: "contact"}
}

func unitFaultWords(b *lab.Bench, f bench.UnitFault) string {
	words := choiceOf(unitFaultChoices(b), f.Kind).Label + ", pin " + strconv.Itoa(f.Pin)
	if f.Pin2 != 0 {
		words += " and pin " + strconv.Itoa(f.Pin2)
	}
	if f.Value != 0 {
		words += ", " + quantity.Format(f.Value, quantity.Ohm, 3)
	}
	return words
}

func benchFaultWords(b *lab.Bench, f bench.BenchFault) string {
	c := choiceOf(benchFaultChoices(b), f.Kind)
	switch c.At {
	case "multiplexer":
		return c.Label + ": " + f.Mux
	case "path":
		return fmt.Sprintf("%s: path %d%s", c.Label, f.Path, pathWords(b, f))
	case "channel":
		return fmt.Sprintf("%s: %s, %s", c.Label, channelName(&b.Definition, f.Channel), quantity.Format(100*f.Value, quantity.Percent, 3))
	}
	words := fmt.Sprintf("%s: contact %d", c.Label, f.Contact)
	if f.Contact2 != 0 {
		words += fmt.Sprintf(" and contact %d", f.Contact2)
	}
	if f.Value != 0 {
		words += ", " + quantity.Format(f.Value, quantity.Ohm, 3)
	}
	return words
}

func pathWords(b *lab.Bench, f bench.BenchFault) string {
	for i := range b.Definition.Paths {
		if b.Definition.Paths[i].ID == f.Path {
			return " (" + b.Definition.Paths[i].Address + ")"
		}
	}
	return ""
}

// benchFaultValues fills the form with the faults in force.
func benchFaultValues(b *lab.Bench, faults []bench.BenchFault) url.Values {
	v := url.Values{}
	for _, f := range faults {
		at := strconv.Itoa(f.Contact)
		switch choiceOf(benchFaultChoices(b), f.Kind).At {
		case "multiplexer":
			at = f.Mux
		case "path":
			at = strconv.Itoa(int(f.Path))
		case "channel":
			at = strconv.Itoa(int(f.Channel))
		}
		v.Add("fault", f.Kind)
		v.Add("at", at)
		v.Add("other", form.Number(f.Contact2))
		v.Add("value", strings.TrimSpace(ohmsOrNothing(f.Value)))
	}
	return v
}

package form

import (
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// DialectField is the field of the form for the text of that name.
func DialectField(name string) string { return "text-" + name }

// DialectValues writes the dialect of a bench's connection as a form, with
// sample values to try its texts with.
func DialectValues(def *bench.Definition, c *bench.Connection) url.Values {
	v := sampleValues(def, c)
	for _, b := range bench.Blanks() {
		v.Set(DialectField(b.Name), *b.Text(&c.Commands))
	}
	return v
}

// ReadDialect is the bench with the form's texts for its connection at index i.
// The form is tidied: its texts have no blanks around them.
func ReadDialect(v url.Values, def *bench.Definition, i int) bench.Definition {
	out := *def
	out.Connections = slices.Clone(out.Connections)
	own := bench.ProtocolCommands()
	c := &out.Connections[i].Commands
	for _, b := range bench.Blanks() {
		text := strings.TrimSpace(PlainLines(v.Get(DialectField(b.Name))))
		v.Set(DialectField(b.Name), text)
		if text == *b.Text(&own) {
			text = "" // what is the protocol's own stays so
		}
		*b.Text(c) = text
	}
	return out
}

// DialectProblems leads what is wrong with a bench to the texts of its
// connection at index i. What is wrong elsewhere is no field of the form.
func DialectProblems(ps dut.Problems, i int) dut.Problems {
	var out dut.Problems
	here := dut.At("connections").Index(i).Name("commands").Parts()
	for _, p := range ps {
		path, err := dut.ParsePath(p.Field)
		parts := path.Parts()
		if err == nil && len(parts) == len(here)+1 && slices.Equal(parts[:len(here)], here) {
			p.Field = DialectField(parts[len(here)].Name)
		} else {
			p = dut.Problem{Message: "the bench itself: " + p.Field + " " + p.Message}
		}
		out = append(out, p)
	}
	return out
}

// sampleValues are what a connection's texts are tried with: its first channel
// and path, nothing forced, the smallest ranges.
func sampleValues(def *bench.Definition, c *bench.Connection) url.Values {
	v := url.Values{"sampleLevel": {"0"}, "sampleCycles": {"1"}, "sampleAperture": {plainNumber(1 / max(def.LineHz, 1))},
		"sampleChannel": {"1"}, "samplePaths": {"(@1!1)"}, "sampleRangeV": {"1"}, "sampleRangeI": {"0.001"}, "sampleLimitV": {"1"}, "sampleLimitI": {"0.001"}}
	var numbers []string
	for i := range def.Channels {
		ch := &def.Channels[i]
		if !slices.Contains(c.Cards, ch.Card) {
			continue
		}
		if len(numbers) == 0 {
			v.Set("sampleChannel", strconv.Itoa(ch.NumberOf()))
			for name, list := range map[string][]bench.Range{"sampleRangeV": ch.ForceV, "sampleRangeI": ch.ForceI, "sampleLimitV": ch.SenseV, "sampleLimitI": ch.SenseI} {
				if len(list) > 0 {
					v.Set(name, plainNumber(list[0].FullScale))
				}
			}
		}
		numbers = append(numbers, strconv.Itoa(ch.NumberOf()))
	}
	v.Set("sampleChannels", "(@"+strings.Join(numbers, ",")+")")
	for i := range def.Paths {
		if slices.Contains(c.Cards, def.CardOf(&def.Paths[i])) {
			v.Set("samplePaths", "(@"+def.Paths[i].Address+")")
			break
		}
	}
	return v
}

// plainNumber writes a number as cards read it.
func plainNumber(v float64) string { return strconv.FormatFloat(v, 'G', -1, 64) }

// Samples are the values that the text of that name is tried with, by the
// places that it may have.
func Samples(v url.Values, name string) map[string]string {
	get := func(n string) string { return strings.TrimSpace(v.Get("sample" + n)) }
	out := map[string]string{"channel": get("Channel"), "channels": get("Channels"), "level": get("Level"), "paths": get("Paths"),
		"aperture": get("Aperture"), "cycles": get("Cycles"),
		"range": get("RangeV"), "compliance": get("LimitI"), "senseRange": get("LimitI")}
	if name == "forceCurrent" || name == "levelCurrent" {
		out["range"], out["compliance"], out["senseRange"] = get("RangeI"), get("LimitV"), get("LimitV")
	}
	// A text can only have the places that are its own.
	for _, b := range bench.Blanks() {
		if b.Name != name {
			continue
		}
		for place := range out {
			if !slices.Contains(b.Places, place) {
				delete(out, place)
			}
		}
	}
	return out
}

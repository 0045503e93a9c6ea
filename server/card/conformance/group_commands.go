package conformance

import (
	"regexp"
	"strings"

	"ohmkeep/server/card/protocol"
	"ohmkeep/server/card/scpi"
	"ohmkeep/server/cardinfo"
)

// sample is a set of parameters that a command is tried with.
type sample struct {
	set   string // parameters of the command
	query string // parameters of the query
	first string // what must be sent before the query is asked
}

// samples are the parameters that commands are tried with, by their header as
// the protocol writes it. Every output is off meanwhile.
var samples = map[string]sample{
	"*ESE":                       {set: "0"},
	"*SRE":                       {set: "4"},
	"STATus:OPERation:ENABle":    {set: "0"},
	"STATus:QUEStionable:ENABle": {set: "0"},
	"[SOURce<n>]:FUNCtion:MODE":  {set: "CURR"},
	"[SOURce<n>]:VOLTage[:LEVel][:IMMediate][:AMPLitude]": {set: "{v}"},
	"[SOURce<n>]:CURRent[:LEVel][:IMMediate][:AMPLitude]": {set: "{i}"},
	"[SOURce<n>]:VOLTage:RANGe":                           {set: "{v.small}"},
	"[SOURce<n>]:CURRent:RANGe":                           {set: "{i.small}"},
	"[SOURce<n>]:VOLTage:ALC:SOURce":                      {set: "INT"},
	"[SENSe<n>]:CURRent[:DC]:RANGe[:UPPer]":               {set: "{ir}"},
	"[SENSe<n>]:VOLTage[:DC]:RANGe[:UPPer]":               {set: "{sv.small}"},
	"[SENSe<n>]:CURRent[:DC]:PROTection[:LEVel]":          {set: "{ic}"},
	"[SENSe<n>]:VOLTage[:DC]:PROTection[:LEVel]":          {set: "{vc}"},
	"[SENSe<n>]:CURRent[:DC]:APERture":                    {set: "0.01"},
	"[SENSe<n>]:VOLTage[:DC]:APERture":                    {set: "0.01"},
	"[SENSe<n>]:AVERage:COUNt":                            {set: "2"},
	"[SENSe<n>]:AVERage[:STATe]":                          {set: "OFF"},
	"OUTPut<n>[:STATe]":                                   {set: "OFF"},
	"READ[:SCALar]?":                                      {query: "(@{n})"},
	"FETCh?":                                              {first: "READ? (@{n})"},
	"ROUTe:CLOSe":                                         {set: "(@{path})", query: "(@{path})"},
	"ROUTe:OPEN":                                          {set: "(@{path})"},
}

// commandPoints are every command of the protocol's own table, in its short
// and in its long form.
func commandPoints() []point {
	var out []point
	for _, c := range protocol.Reference().Commands {
		p := point{group: "commands", title: c.Header + " in short and long form"}
		s, known := samples[c.Header]
		if c.Parameters != "" && !known && !strings.HasPrefix(c.Parameters, "[") {
			p.steps = []step{do(c.Header, func(*trial) (string, error) { return "", skip("the check has no parameter to try it with") })}
			out = append(out, p)
			continue
		}
		if strings.HasPrefix(c.Header, "ROUTe:") {
			p.steps = append(p.steps, needPaths())
		}
		for _, header := range spellings(c.Header) {
			p.steps = append(p.steps, spelt(c, s, header)...)
		}
		out = append(out, p)
	}
	return out
}

// spelt are the steps for one spelling of a command.
func spelt(c cardinfo.Command, s sample, header string) []step {
	var steps []step
	if !c.QueryOnly {
		steps = append(steps, carried(strings.TrimSpace(header+" "+s.set)))
	}
	if !c.Query {
		return steps
	}
	if s.first != "" {
		steps = append(steps, ask(s.first, answerForm(c)))
	}
	return append(steps, ask(strings.TrimSpace(header+"? "+s.query), answerForm(c)), noError())
}

// spellings are a header in short form without, and in long form with all that
// may be left out, and in long form and small letters.
func spellings(notation string) []string {
	notation = strings.TrimSuffix(notation, "?")
	if strings.HasPrefix(notation, "*") {
		return []string{notation, strings.ToLower(notation)}
	}
	// A first node that may be left out names the channel: it stays.
	short, long := "", ""
	for _, n := range regexp.MustCompile(`\[?:?[A-Za-z]+(<n>)?\]?`).FindAllString(notation, -1) {
		word := strings.Trim(n, "[]:")
		word, suffix := strings.TrimSuffix(word, "<n>"), ""
		if strings.HasSuffix(strings.Trim(n, "[]:"), "<n>") {
			suffix = "{n}"
		}
		long += ":" + strings.ToUpper(word) + suffix
		if !strings.HasPrefix(n, "[") || suffix != "" {
			short += ":" + scpi.ShortForm(word) + suffix
		}
	}
	return []string{short, long, strings.ToLower(long), strings.TrimPrefix(short, ":")}
}

// answerForm returns the form that a command's answer must have, from the
// reference.
func answerForm(c cardinfo.Command) want {
	switch {
	case strings.HasPrefix(c.Answer, "NR1"):
		return matches("NR1", `^[+-]?\d+$`)
	case strings.HasPrefix(c.Answer, "NR3"):
		return want{"a number", func(_ *trial, answer string) error { _, err := readNumber(answer); return err }}
	case strings.HasPrefix(c.Answer, "1 "):
		return matches("1 or 0", `^[01]$`)
	}
	return matches(c.Answer, `^.+$`)
}

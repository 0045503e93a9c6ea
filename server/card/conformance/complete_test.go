package conformance

import (
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ohmkeep/server/card/protocol"
	"ohmkeep/server/cardinfo"
)

// cannotBeProvoked are errors of the protocol that no message brings about on
// a card that works.
var cannotBeProvoked = map[int]string{
	0:    "is no error; the group of errors reads it",
	-240: "needs hardware that fails",
	-330: "needs hardware that fails",
}

// TestEveryErrorIsTried holds that there is a point for each error that the
// protocol names, which accepts that error alone.
func TestEveryErrorIsTried(t *testing.T) {
	alone := regexp.MustCompile(`(?:→|error) (-\d+)(?:;|$)|→ (-\d+),"|then (-\d+)(?:;|$)`)
	tried := map[int]string{}
	for _, p := range points() {
		for _, s := range p.steps {
			for _, m := range alone.FindAllStringSubmatch(s.words, -1) {
				n, err := strconv.Atoi(m[1] + m[2] + m[3])
				if err != nil {
					t.Fatal(err)
				}
				tried[n] = p.title
			}
		}
	}
	tried[-241] = "" // see remoteSense, which asks for it alone on a channel without sense terminals
	for _, e := range protocol.Reference().Errors {
		_, is := tried[e.Number]
		why, not := cannotBeProvoked[e.Number]
		if is == not {
			t.Errorf("%d %s: tried %v, cannot be: %q", e.Number, e.Text, is, why)
		}
	}
	if len(tried) < 20 {
		t.Errorf("only %v", slices.Sorted(maps.Keys(tried)))
	}
}

// TestEveryCommandIsTried holds that every command of the protocol's table is
// carried out or asked, or both, as it can be.
func TestEveryCommandIsTried(t *testing.T) {
	all := commandPoints()
	commands := protocol.Reference().Commands
	if len(all) != len(commands) {
		t.Fatalf("%d points for %d commands", len(all), len(commands))
	}
	for i, c := range commands {
		var sets, asks bool
		for _, s := range all[i].steps {
			header, _, _ := strings.Cut(s.words, " ")
			asks = asks || strings.Contains(header, "?")
			sets = sets || !strings.Contains(header, "?") && strings.HasSuffix(s.words, "no error") && s.words != "no error"
		}
		if sets == c.QueryOnly || asks != c.Query {
			t.Errorf("%s: sent as a command %v, asked %v; a query %v, a query only %v", c.Header, sets, asks, c.Query, c.QueryOnly)
		}
	}
	for header := range samples {
		if !slices.ContainsFunc(commands, func(c cardinfo.Command) bool { return c.Header == header }) {
			t.Errorf("there is no command %s to try a parameter with", header)
		}
	}
}

func TestSpellings(t *testing.T) {
	for notation, want := range map[string][]string{
		"[SENSe<n>]:CURRent[:DC]:RANGe[:UPPer]": {":SENS{n}:CURR:RANG", ":SENSE{n}:CURRENT:DC:RANGE:UPPER", ":sense{n}:current:dc:range:upper", "SENS{n}:CURR:RANG"},
		"OUTPut<n>[:STATe]":                     {":OUTP{n}", ":OUTPUT{n}:STATE", ":output{n}:state", "OUTP{n}"},
		"SYSTem:ERRor[:NEXT]?":                  {":SYST:ERR", ":SYSTEM:ERROR:NEXT", ":system:error:next", "SYST:ERR"},
		"*OPC":                                  {"*OPC", "*opc"},
	} {
		if got := spellings(notation); !slices.Equal(got, want) {
			t.Errorf("%s: %q, not %q", notation, got, want)
		}
	}
}

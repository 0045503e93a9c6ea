package protocol

import (
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/scpi"
)

// TestHostSpeaksTheProtocol holds that what a host sends where a connection
// says nothing else is understood, and asks where an answer is awaited.
func TestHostSpeaksTheProtocol(t *testing.T) {
	p := scpi.NewParser(tree(t))
	own := bench.ProtocolCommands()
	values := map[string]string{
		"channel": "2", "channels": "(@1,2)", "level": "-1.5E-3", "range": "6.0E+0", "compliance": "1.0E-2", "senseRange": "1.0E-2",
		"paths": "(@0!7,1!12)", "aperture": "2.0E-2", "cycles": "1.0E+0",
	}
	asks := map[string]bool{"identify": true, "outputState": true, "closedPaths": true, "read": true, "confirm": true, "error": true}
	for _, b := range bench.Blanks() {
		if b.Name == "fields" {
			continue
		}
		filled, err := bench.Fill(*b.Text(&own), values)
		if err != nil {
			t.Fatal(err)
		}
		for message := range strings.SplitSeq(filled, "\n") {
			questions := false
			for p.Start(message); p.Next(); {
				questions = questions || p.Unit().Query
			}
			if p.Err() != nil || questions != asks[b.Name] {
				t.Errorf("%s: %q: %v; asks %t", b.Name, message, p.Err(), questions)
			}
		}
	}
}

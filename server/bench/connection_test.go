package bench

import (
	"strings"
	"testing"
)

// TestDialectReach: a dialect that cannot ask about everything behind its
// connection is refused, since nothing could be believed safe.
func TestDialectReach(t *testing.T) {
	for name, tc := range map[string]struct {
		says   Commands
		refuse string
	}{
		"the protocol's own":            {Commands{}, ""},
		"one question for all outputs":  {Commands{OutputState: "OUTP1?"}, "commands.outputState"},
		"one switch for all outputs":    {Commands{OutputOff: "OUTP OFF"}, "commands.outputOff"},
		"one reading for all channels":  {Commands{Read: "READ?"}, "commands.read"},
		"all channels in one":           {Commands{Read: "MEAS? {channels}"}, ""},
		"paths that cannot be asked":    {Commands{ClosedPaths: None}, "commands.closedPaths"},
		"paths that cannot be opened":   {Commands{OpenPaths: None}, "commands.openPaths"},
		"no forcing of currents at all": {Commands{ForceCurrent: None, LevelCurrent: None}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			r := []Range{{FullScale: 2}}
			i := []Range{{FullScale: 1e-3}}
			d := Definition{Key: "desk", Contacts: 2, LineHz: 50, Channels: []Channel{
				{ID: 1, Card: 1, ForceV: r, SenseV: r, ForceI: i, SenseI: i}, {ID: 2, Card: 1, ForceV: r, SenseV: r, ForceI: i, SenseI: i},
			}, Paths: []Path{{ID: 1, Channel: 1, Contact: 1}},
				Connections: []Connection{{Name: "card", Cards: []int{1}, Address: "tcp://card:5025", Timeout: 1, Commands: tc.says}}}
			err := d.Validate()
			if tc.refuse == "" {
				if err != nil {
					t.Fatal(err)
				}
				return
			}
			if err == nil || !strings.Contains(err.Error(), tc.refuse) {
				t.Errorf("got %v, want a problem of %s", err, tc.refuse)
			}
		})
	}
}

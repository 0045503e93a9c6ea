package routes

import (
	"net/http"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/store"
)

// TestSayDialectsRead: what a connection reads with otherwise than the protocol
// may do more than ask.
func TestSayDialectsRead(t *testing.T) {
	a, f := newCardRig(t)
	a.ask(store.Operator, "PUT", cardsAt+"control", nil)
	say := func(message string) *answer {
		return a.ask(store.Operator, "POST", cardsAt+"messages", apiMessage{Connection: "cards", Message: message, Wait: 0.05})
	}
	p := a.server.Lab.InUse()
	for read, asks := range map[string]bool{"": true, bench.ProtocolCommands().Read: true, "read? {channels}": false, "*OPC?\n:READ? (@{channel})": false, "MEAS:CURR? (@{channels})": true} {
		p.Definition.Connections = []bench.Connection{{Name: "cards", Commands: bench.Commands{Read: read}}, {Name: "others", Commands: bench.Commands{Read: "READ? 1"}}}
		f.mu.Lock()
		f.said = nil
		f.mu.Unlock()
		out := say("READ? (@1)")
		if sent := len(f.said) == 1; sent != asks || !asks && len(out.problem.Confirm) == 0 {
			t.Errorf("where it is read with %q: %d %s", read, out.status, out.body)
		}
		if out := say("*IDN?"); out.status != http.StatusOK {
			t.Errorf("asking who it is: %s", out.body)
		}
	}
}

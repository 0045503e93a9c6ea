package main

import (
	"context"
	"encoding/json"
	"net"
	"net/http"
	"slices"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/emulator"
	"ohmkeep/server/demo"
	"ohmkeep/server/rehearsal"
	"ohmkeep/store"
)

// cardState is what the API says of a bench with cards.
type cardState struct {
	State, Reason, Run string
	Connections        []struct{ Condition, Reason, Remedy string }
}

// until asks again and again until the answer will do.
func (c *apiClient) until(path string, out any, ok func() bool) {
	c.t.Helper()
	until(func() bool {
		c.do("GET", path, nil, out)
		return ok()
	})
}

// servedCards is a rehearsal bench at the end of a cable that can be pulled
// out, and its definition as a host has it.
func servedCards(t *testing.T) (*line, bench.Definition) {
	t.Helper()
	b, err := rehearsal.New(rehearsal.Config{Definition: rehearsal.DefaultBench(), Clock: bench.FineClock{}, Seed: benchSeed})
	if err != nil {
		t.Fatal(err)
	}
	emulated, err := emulator.New(emulator.Config{Link: b, Definition: b.Definition(), Watchdog: time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- emulated.Listen(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	cable := newLine(t, l.Addr().String())
	def := emulator.Describe(b.Definition(), "tcp://"+cable.address())
	def.Connections[0].Timeout, def.Connections[0].Watchdog = 20, 60 // s: a busy machine is no fault of the card
	return cable, def
}

// useCards puts a bench with cards in use and takes control of it.
func (c *apiClient) useCards(def bench.Definition) (at string) {
	c.t.Helper()
	at = "/benches/" + def.Key
	c.do("PUT", at+"/definition", def, nil)
	c.do("POST", at+"/use", nil, nil)
	c.do("PUT", at+"/control", nil, nil)
	for _, m := range demo.Scenario().PinMaps {
		if m.Device == demo.TarnelKey {
			m.Bench = def.Key
			c.do("PUT", "/devices/"+m.Device+"/pinmaps/"+m.Bench, m, nil)
		}
	}
	return at
}

// startConfirmed starts a procedure: refused first, then with everything
// confirmed that the refusal named.
func (c *apiClient) startConfirmed(procedure string) (run string, confirmed []string) {
	c.t.Helper()
	ask := map[string]any{"device": demo.TarnelKey, "procedure": procedure, "serial": "C-1", "acknowledge": c.warnings(procedure)}
	status, text, err := c.try("POST", "/runs", ask)
	var refusal struct{ Confirm []struct{ Name string } }
	if err == nil {
		err = json.Unmarshal(text, &refusal)
	}
	if err != nil || status != http.StatusConflict || len(refusal.Confirm) == 0 {
		c.t.Fatalf("a start without confirmations: %d %v %s", status, err, text)
	}
	for _, x := range refusal.Confirm {
		confirmed = append(confirmed, x.Name)
	}
	ask["confirm"] = confirmed
	var started struct{ ID string }
	c.do("POST", "/runs", ask, &started)
	return started.ID, confirmed
}

// TestCableOut: the cable to the cards is pulled out in the middle of a run
// and put back.
func TestCableOut(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", false)
	token, err := p.app.store.NewToken(t.Context(), store.Owner, "test")
	if err != nil {
		t.Fatal(err)
	}
	c := &apiClient{t: t, base: p.base, token: token, http: http.DefaultClient}
	furnish(c)
	cable, def := servedCards(t)
	at := c.useCards(def)
	run, confirmed := c.startConfirmed(crashProcedure)
	if !slices.Contains(confirmed, "pin-1") || !slices.Contains(confirmed, "seated") {
		t.Errorf("only %v was to be confirmed", confirmed)
	}
	var rec struct {
		Status, Reason string
		Readings       int64
		Confirmed      []struct{ What, By string }
	}
	var read columns
	c.until("/runs/"+run+"/readings?measurement=2", &read, func() bool { return read.Count > 50 })
	cable.cut()
	var now cardState
	c.until(at, &now, func() bool { return now.State == string(bench.Unknown) })
	if len(now.Connections) != 1 || now.Connections[0].Condition == "ready" || now.Connections[0].Remedy == "" {
		t.Errorf("a bench without its card: %+v", now)
	}
	c.until("/runs/"+run, &rec, func() bool { return rec.Status != "running" })
	if rec.Status != "interrupted" || rec.Readings < int64(read.Count) || len(rec.Confirmed) != len(confirmed) {
		t.Errorf("the run: %+v", rec)
	}
	if status, text, err := c.try("POST", "/runs", map[string]any{"device": demo.TarnelKey, "procedure": crashProcedure,
		"confirm": confirmed, "acknowledge": c.warnings(crashProcedure)}); err != nil || status != http.StatusConflict {
		t.Errorf("a start on an unknown bench: %d %v %s", status, err, text)
	}
	cable.mend()
	c.until(at, &now, func() bool { return now.State == string(bench.Safe) })
	var traffic struct {
		Items []struct{ Dir, Text string }
	}
	c.do("GET", "/runs/"+run+"/traffic?limit=1000", nil, &traffic)
	if len(traffic.Items) < 100 {
		t.Errorf("%d events of the run are kept", len(traffic.Items))
	}
	again, _ := p.app.store.GetRun(t.Context(), run)
	if again == nil || !again.Rehearsal {
		t.Error("what was rehearsed on an emulated card is not marked so")
	}
	p.stop() // before the card: it is made safe at the end
}

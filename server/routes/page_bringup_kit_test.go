package routes

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"ohmkeep/server/card/protocol"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/lab"
	"ohmkeep/store"
	"ohmkeep/web"
)

// fakeCards is a card that answers what a test tells it to.
type fakeCards struct {
	mu      sync.Mutex
	health  []cardinfo.Health
	events  []cardinfo.Event
	answers map[string]string // by message; "" is no answer
	said    []string
	check   func(ctx context.Context, connection string, found func(cardinfo.Finding)) error
}

func newFakeCards() *fakeCards {
	return &fakeCards{
		health:  []cardinfo.Health{{Connection: "cards", Address: "tcp://card.example:5025", Condition: cardinfo.Ready, Since: cardTime, Model: "Two channels", Serial: "7", Version: "0.1", Exchanges: 12}},
		answers: map[string]string{"*IDN?": "Example maker,Two channels,7,0.1", "READ? (@1)": "1.25,-0.0025,5,1.25"},
	}
}

var cardTime = time.Date(2030, 1, 1, 8, 0, 0, 0, time.UTC)

func (f *fakeCards) Health() []cardinfo.Health {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]cardinfo.Health(nil), f.health...)
}

func (f *fakeCards) set(h ...cardinfo.Health) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.health = h
}

// add logs bytes a millisecond after those before.
func (f *fakeCards) add(dir cardinfo.Direction, text string) cardinfo.Event {
	n := len(f.events) + 1
	e := cardinfo.Event{N: uint64(n), At: cardTime.Add(time.Duration(n) * time.Millisecond), Connection: "cards", Dir: dir, Bytes: []byte(text)}
	f.events = append(f.events, e)
	return e
}

func (f *fakeCards) Recent(after uint64, n int) []cardinfo.Event {
	f.mu.Lock()
	defer f.mu.Unlock()
	list := f.events[min(int(after), len(f.events)):]
	return append([]cardinfo.Event(nil), list[max(0, len(list)-n):]...)
}

func (f *fakeCards) Say(_ context.Context, connection, message string, _ time.Duration) (cardinfo.Exchange, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if connection != "cards" {
		return cardinfo.Exchange{}, fmt.Errorf("no connection %s", connection)
	}
	f.said = append(f.said, message)
	x := cardinfo.Exchange{Connection: connection, Sent: message, Took: time.Millisecond}
	x.Events = append(x.Events, f.add(cardinfo.Out, message+"\n"))
	if answer, known := f.answers[message]; !known {
		x.Errors = []string{`-113,"Undefined header"`}
	} else if answer != "" {
		x.Answers = []string{answer}
		x.Events = append(x.Events, f.add(cardinfo.In, answer+"\r\n"))
	}
	return x, nil
}

func (f *fakeCards) Check(ctx context.Context, connection string, found func(cardinfo.Finding)) error {
	f.mu.Lock()
	check := f.check
	f.mu.Unlock()
	return check(ctx, connection, found)
}

// newCardRig is the API on a bench with cards: the link is the rehearsal's, and
// what stands beside it is the test's.
func newCardRig(t *testing.T) (*apiRig, *fakeCards) {
	t.Helper()
	a, f := newAPI(t), newFakeCards()
	read[apiBench](a, a.ask(store.Operator, "PUT", "/benches/rehearsal/seating", map[string]any{"device": "load", "serial": "S1"}), http.StatusOK)
	p := a.server.Lab.InUse()
	p.Cards, p.Rehearse = f, nil
	return a, f
}

// everyName is what a first start on a bench with cards confirms.
func everyName() []string {
	return strings.Split("low-voltage,esd,stored-charge,mains,stop,interlock,rules,seated,pin-1", ",")
}

// testProtocol tells what a message does, by the protocol.
func testProtocol() lab.Protocol {
	reference := testReference()
	return web.NewDecoder(&reference)
}

// testReference is the protocol's.
func testReference() cardinfo.Reference { return protocol.Reference() }

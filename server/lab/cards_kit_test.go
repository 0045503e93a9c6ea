package lab

import (
	"context"
	"errors"
	"sync"
	"time"

	"ohmkeep/server/cardinfo"
)

// cards are connections to cards that say what a test tells them to.
type cards struct {
	mu     sync.Mutex
	said   []string
	fail   error        // of the next messages
	heard  func() error // called when a message or a check reaches a card; may be nil
	events []cardinfo.Event
	check  func(ctx context.Context, connection string, found func(cardinfo.Finding)) error
}

func newCards() *cards {
	return &cards{check: func(_ context.Context, _ string, found func(cardinfo.Finding)) error {
		found(cardinfo.Finding{Group: "Identity", Title: "who it is", Verdict: cardinfo.Pass})
		return nil
	}}
}

func (c *cards) Health() []cardinfo.Health {
	return []cardinfo.Health{{Connection: "left", Condition: cardinfo.Ready}, {Connection: "right", Condition: cardinfo.Lost, Remedy: "Plug it in."}}
}

func (c *cards) Recent(after uint64, n int) (out []cardinfo.Event) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, e := range c.events {
		if e.N > after {
			out = append(out, e)
		}
	}
	return out[max(0, len(out)-n):]
}

// hear has f called whenever a message or a check reaches a card.
func (c *cards) hear(f func() error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.heard = f
}

func (c *cards) reach() error {
	c.mu.Lock()
	heard := c.heard
	c.mu.Unlock()
	if heard == nil {
		return nil
	}
	return heard()
}

func (c *cards) Say(_ context.Context, connection, message string, _ time.Duration) (cardinfo.Exchange, error) {
	if err := c.reach(); err != nil {
		return cardinfo.Exchange{}, err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.said = append(c.said, connection+": "+message)
	if c.fail != nil {
		return cardinfo.Exchange{}, c.fail
	}
	return cardinfo.Exchange{Connection: connection, Sent: message, Answers: []string{"yes"}}, nil
}

func (c *cards) Check(ctx context.Context, connection string, found func(cardinfo.Finding)) error {
	if err := c.reach(); err != nil {
		return err
	}
	return c.check(ctx, connection, found)
}

func (c *cards) messages() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]string(nil), c.said...)
}

// askingMarks is a protocol in which what ends in a question mark asks.
type askingMarks struct{}

func (askingMarks) OnlyAsks(message string) bool {
	return len(message) > 0 && message[len(message)-1] == '?'
}

func (askingMarks) NamesAnyOf(message, text string) bool { return containsText(text, message) }

var errBroken = errors.New("the line is silent")

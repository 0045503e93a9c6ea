package lab

import (
	"context"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
)

const (
	maxMessage = 1000 // bytes: the protocol takes 1024 with the line end
	MinWait    = 10 * time.Millisecond
	MaxWait    = 10 * time.Second
	keptSaid   = 40 // exchanges by hand that are remembered
)

// Protocol tells what a message to a card does.
type Protocol interface {
	// OnlyAsks reports whether a message does no more than ask.
	OnlyAsks(message string) bool
	// NamesAnyOf reports whether a message has any header of a text.
	NamesAnyOf(message, text string) bool
}

// Message is one message to a card.
type Message struct {
	Connection string
	Text       string
	Wait       time.Duration // for how long answers are gathered
	Confirm    []string
}

// Said is a message that was sent, and what came of it.
type Said struct {
	By       string
	At       time.Time
	Exchange cardinfo.Exchange
	Err      string // why it could not be sent, or the bench not be made safe
	MadeSafe bool   // the bench was made safe afterwards
}

func (q *Message) check(cards Cards) error {
	var ps dut.Problems
	if !slices.ContainsFunc(cards.Health(), func(h cardinfo.Health) bool { return h.Connection == q.Connection }) {
		ps.Add("connection", "choose a connection")
	}
	switch {
	case q.Text == "":
		ps.Add("message", "write a message")
	case !utf8.ValidString(q.Text) || strings.ContainsAny(q.Text, "\r\n"):
		ps.Add("message", "must be one line of text")
	case len(q.Text) > maxMessage:
		ps.Add("message", "has %d bytes; at most %d fit", len(q.Text), maxMessage)
	}
	if q.Wait < MinWait || q.Wait > MaxWait {
		ps.Add("wait", "must be 10 ms to 10 s")
	}
	return ps.Err()
}

// NoCards is the refusal of what needs cards.
func NoCards() error { return problem.New(problem.Conflict, "There is no card behind this bench.") }

// Say sends one message to a card while nothing runs. After one that does more
// than ask the bench is made safe. It holds the bench until the message is on
// its way: the station then refuses whatever else would start, and nobody waits
// for the card's answer.
func (l *Lab) Say(ctx context.Context, b *Bench, who Person, q Message) (Said, error) {
	if b.Cards == nil {
		return Said{}, NoCards()
	}
	q.Text = strings.TrimSpace(q.Text)
	if err := q.check(b.Cards); err != nil {
		return Said{}, err
	}
	release, err := l.hold(b)
	if err != nil {
		return Said{}, err
	}
	release = sync.OnceFunc(release)
	defer release()
	asks := l.OnlyAsks(b, q.Connection, q.Text)
	if !asks {
		if _, err := l.Confirm(ctx, b, who, q.Confirm, Occasion{}); err != nil {
			return Said{}, err
		}
	}
	if err := b.HoldsControl(who); err != nil {
		return Said{}, err
	}
	said := Said{By: who.Name, At: l.Now(), MadeSafe: !asks, Exchange: cardinfo.Exchange{Connection: q.Connection, Sent: q.Text}}
	err = b.Station.WhileIdle(func() error {
		if asks {
			release()
			said.exchange(ctx, b, &q)
			return nil
		}
		b.byHand.while("a message sent by hand", func() {
			release()
			said.exchange(ctx, b, &q)
			if err := b.Station.MakeSafe(context.WithoutCancel(ctx), who.Name); err != nil {
				said.MadeSafe = false
				said.addErr(notSafe(err))
			}
		})
		return nil
	})
	if err != nil {
		return Said{}, b.inTheWay(err)
	}
	b.byHand.remember(&said)
	l.Note(ctx, who, "message to a card", q.Connection, q.Text)
	return said, nil
}

// OnlyAsks reports whether a message does no more than ask. What a dialect
// reads with otherwise than the protocol may do more on its card, whatever the
// protocol says of that header. Connection "" is any of them.
func (l *Lab) OnlyAsks(b *Bench, connection, message string) bool {
	p := l.Protocol()
	own := bench.ProtocolCommands().Read
	for _, c := range b.Definition.Connections {
		read := c.Commands.Read
		if (connection == "" || c.Name == connection) && read != "" && read != own && p.NamesAnyOf(message, read) {
			return false
		}
	}
	return p.OnlyAsks(message)
}

// exchange sends the message; what goes wrong is part of what came of it.
func (s *Said) exchange(ctx context.Context, b *Bench, q *Message) {
	x, err := b.Cards.Say(ctx, q.Connection, q.Text, q.Wait)
	if err != nil {
		s.Err = err.Error()
	}
	if x.Sent != "" || len(x.Events) > 0 {
		s.Exchange = x
	}
}

func (s *Said) addErr(text string) {
	if s.Err == "" || s.Err == text {
		s.Err = text
		return
	}
	s.Err += "; " + text
}

// Said lists what was said by hand, newest first.
func (b *Bench) SaidByHand() []Said {
	b.byHand.mu.Lock()
	defer b.byHand.mu.Unlock()
	return slices.Clone(b.byHand.said)
}

func (h *byHand) remember(s *Said) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.said = append([]Said{*s}, h.said[:min(len(h.said), keptSaid-1)]...)
}

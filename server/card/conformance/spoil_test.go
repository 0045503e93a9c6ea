package conformance

import (
	"bufio"
	"errors"
	"io"
	"net"
	"strings"
	"sync"
)

// spoiler stands between host and card and makes of the card another one: it
// changes messages on their way to the card and answers on their way back.
type spoiler struct {
	// ask returns what the card is sent in place of a message, and whether the
	// host is to be answered by the card ("" and false: the message is lost).
	ask func(message string) string
	// answer returns what the host is sent in place of an answer to a message.
	answer func(message, answer string) string

	mu   sync.Mutex
	last string
}

// between puts the spoiler in front of a card's connection.
func (s *spoiler) between(card net.Conn) io.ReadWriteCloser {
	host, inner := net.Pipe()
	go func() {
		defer func() { _ = card.Close() }()
		r := bufio.NewReader(inner)
		for {
			line, err := r.ReadString('\n')
			if err != nil {
				return
			}
			message := strings.TrimSuffix(line, "\n")
			s.mu.Lock()
			if strings.Trim(message, "\r \t") != "" {
				s.last = message
			}
			s.mu.Unlock()
			if s.ask != nil {
				message = s.ask(message)
			}
			if _, err := io.WriteString(card, message+"\n"); err != nil {
				return
			}
		}
	}()
	go func() {
		defer func() { _ = inner.Close() }()
		r := bufio.NewReader(card)
		for {
			line, err := r.ReadString('\n')
			if err != nil {
				if !errors.Is(err, io.EOF) {
					return
				}
				return
			}
			answer := strings.TrimSuffix(line, "\n")
			s.mu.Lock()
			last := s.last
			s.mu.Unlock()
			if s.answer != nil {
				answer = s.answer(last, answer)
			}
			if _, err := io.WriteString(inner, answer+"\n"); err != nil {
				return
			}
		}
	}()
	return host
}

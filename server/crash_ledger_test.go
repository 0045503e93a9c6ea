package main

import (
	"fmt"
	"io"
	"maps"
	"net/http"
	"slices"
	"sync"
	"testing"
)

// lookedUp is the number of restarts after which a promise that has not changed
// is looked up; after that only once more, when all is over. A later restart that
// loses what an earlier one had would show then.
const lookedUp = 2

// promise is one thing that the server has said is kept.
type promise struct {
	told  string // how it stands, as it was acknowledged last; "": not yet
	asked string // how it stands where the request that is under way was carried out; "": none is
	look  func(c *apiClient) string
	seen  int // restarts that it was looked up after since it changed
}

// ledger notes what people and programs are told is kept, and what they have
// asked for without an answer yet. Safe for concurrent use.
type ledger struct {
	mu   sync.Mutex
	kept map[string]*promise
	told int // acknowledgements in all
}

func newLedger() *ledger { return &ledger{kept: map[string]*promise{}} }

// ask notes that a change is asked for: look tells how the thing stands.
func (l *ledger) ask(name, state string, look func(*apiClient) string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	p := l.kept[name]
	if p == nil {
		p = &promise{look: look}
		l.kept[name] = p
	}
	p.asked, p.seen = state, 0
}

// answered notes that the change was acknowledged.
func (l *ledger) answered(name string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	p := l.kept[name]
	p.told, p.asked = p.asked, ""
	l.told++
}

// tell notes what was said to be so by an answer alone, such as a secret that the
// answer holds.
func (l *ledger) tell(name, state string, look func(*apiClient) string) {
	l.ask(name, state, look)
	l.answered(name)
}

// lookUp holds how everything stands against what was said, after a restart. With
// all, also what was looked up often enough before.
func (l *ledger) lookUp(t *testing.T, c *apiClient, all bool) {
	t.Helper()
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, name := range slices.Sorted(maps.Keys(l.kept)) {
		p := l.kept[name]
		if p.seen >= lookedUp && !all {
			continue
		}
		p.seen++
		now := p.look(c)
		switch {
		case now == p.told && p.told != "" || p.asked != "" && now == p.asked:
		case p.told == "": // asked for alone, and not carried out
			delete(l.kept, name)
			continue
		default:
			t.Errorf("%s: it was said to be %q (asked for since: %q), and is %q", name, p.told, p.asked, now)
		}
		p.told, p.asked = now, "" // what the kill left is what holds from now on
	}
}

// get is a look at the answer to a GET of the API: pick takes the state out of
// it. Any status but 200 is the state itself.
func get(path string, pick func(text []byte) string) func(*apiClient) string {
	return func(c *apiClient) string {
		status, text := c.look(path, func() (int, []byte, error) { return c.try("GET", path, nil) })
		if status != http.StatusOK {
			return fmt.Sprint(status)
		}
		return pick(text)
	}
}

// opens is a look at what a request with a key of its own is answered: its
// status. The key is whatever prepare puts into the request.
func opens(path string, prepare func(*http.Request)) func(*apiClient) string {
	return func(c *apiClient) string {
		status, _ := c.look(path, func() (int, []byte, error) {
			r, err := http.NewRequest("GET", c.base+path, nil)
			if err != nil {
				return 0, nil, err
			}
			prepare(r)
			resp, err := http.DefaultTransport.RoundTrip(r) // which follows no redirect
			if err != nil {
				return 0, nil, err
			}
			defer resp.Body.Close()
			text, err := io.ReadAll(resp.Body)
			return resp.StatusCode, text, err
		})
		return fmt.Sprint(status)
	}
}

// look asks for something that must be there after a restart. A fault of the
// server is noted with what it says, and asked for once more: it is a fault, and
// whether anything is lost is another question.
func (c *apiClient) look(path string, ask func() (int, []byte, error)) (int, []byte) {
	status, text, err := ask()
	if err != nil || status >= http.StatusInternalServerError {
		c.faults = append(c.faults, fmt.Sprintf("%s after the restart: %d %v %.2000s", path, status, err, text))
		status, text, _ = ask()
	}
	return status, text
}

package routes

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/lab"
	"ohmkeep/store"
)

// TestTwoSeatAtOnce: two people who seat a unit and start a run at the same
// moment. Whoever is let through has measured the unit that the record names,
// and the record of what is seated is what is seated.
func TestTwoSeatAtOnce(t *testing.T) {
	a := newAPI(t)
	rehearser := &lastSeated{Rehearser: a.server.Lab.InUse().Rehearse}
	cfg := a.server.Config
	a.server.Lab.InUse().Rehearse = rehearser
	a.http = New(cfg)
	started := map[string]string{} // serial by run
	for round := range 60 {
		var mu sync.Mutex
		var people sync.WaitGroup
		for who := range 2 {
			serial := fmt.Sprintf("U%d-%d", round, who)
			people.Go(func() {
				body := fmt.Sprintf(`{"device":"load","procedure":"check","serial":%q,"seat":true}`, serial)
				r := httptest.NewRequest("POST", "/api/v1/runs", strings.NewReader(body))
				r.Host = "localhost"
				r.Header.Set("Content-Type", "application/json")
				r.Header.Set("Authorization", "Bearer "+a.tokens[store.Operator])
				w := httptest.NewRecorder()
				a.http.ServeHTTP(w, r)
				var s apiStarted
				if w.Code == http.StatusCreated && json.Unmarshal(w.Body.Bytes(), &s) == nil {
					mu.Lock()
					started[s.ID] = serial
					mu.Unlock()
				}
			})
		}
		people.Wait()
		a.wait()
		kept, err := lab.KeptSeating(t.Context(), a.store, "rehearsal")
		must(t, err)
		if got := rehearser.serial(); kept.Serial != got {
			t.Fatalf("round %d: %s is in the socket, %s is recorded as seated", round, got, kept.Serial)
		}
	}
	if len(started) < 60 {
		t.Errorf("only %d runs were started", len(started))
	}
	for id, serial := range started {
		rec, err := a.store.GetRun(t.Context(), id)
		must(t, err)
		var q bench.Seating
		must(t, json.Unmarshal(rec.Seated.(json.RawMessage), &q))
		if q.Serial != serial {
			t.Fatalf("a run of unit %s was carried out on unit %s", serial, q.Serial)
		}
	}
}

// lastSeated remembers what was last put into the socket.
type lastSeated struct {
	lab.Rehearser
	mu   sync.Mutex
	last string
}

func (l *lastSeated) Seat(q bench.Seating) error {
	err := l.Rehearser.Seat(q)
	if err == nil {
		l.mu.Lock()
		l.last = q.Serial
		l.mu.Unlock()
	}
	return err
}

func (l *lastSeated) serial() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.last
}

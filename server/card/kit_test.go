package card

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/wire"
	"ohmkeep/server/cardinfo"
)

// rig is a link to fake cards, ready and made safe.
type rig struct {
	*Link
	t     *testing.T
	cards []*fakeCard

	mu    sync.Mutex
	lost  []string
	ready int
}

// alone runs a test in a bubble with a time of its own. It fails where a
// goroutine is left at the end.
func alone(t *testing.T, f func(t *testing.T)) {
	t.Helper()
	synctest.Test(t, f)
}

func newRig(t *testing.T, cards ...*fakeCard) *rig {
	t.Helper()
	return newRigOf(t, fakeBench(len(cards)), cards...)
}

func newRigOf(t *testing.T, def bench.Definition, cards ...*fakeCard) *rig {
	t.Helper()
	r := &rig{t: t, cards: cards}
	r.open(def)
	if err := r.Settled(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := r.MakeSafe(t.Context()); err != nil {
		t.Fatalf("%v\n%s", err, r.said())
	}
	return r
}

func (r *rig) open(def bench.Definition) {
	r.t.Helper()
	var err error
	r.Link, err = Open(Config{
		Definition: def,
		Dial: func(c bench.Connection) wire.Dialer {
			for i := range def.Connections {
				if def.Connections[i].Name == c.Name {
					return r.cards[i].dial
				}
			}
			return nil
		},
		Lost: func(reason string) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.lost = append(r.lost, reason)
		},
		Ready: func() {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.ready++
		},
	})
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(r.close)
}

func (r *rig) close() {
	_ = r.Disconnect()
	for _, f := range r.cards {
		f.hangUp()
		f.wg.Wait()
	}
}

// told is the number of calls of Lost and Ready.
func (r *rig) told() (lost []string, ready int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]string(nil), r.lost...), r.ready
}

// said returns the whole conversation.
func (r *rig) said() string {
	var b strings.Builder
	for _, e := range r.Recent(0, 1<<20) {
		fmt.Fprintf(&b, "%s %s %s %q\n", e.At.Format("05.000000"), e.Connection, e.Dir, e.Bytes)
	}
	return b.String()
}

// must fails the test where a call does.
func (r *rig) must(err error) {
	r.t.Helper()
	if err != nil {
		r.t.Fatalf("%v\n%s", err, r.said())
	}
}

// fails checks that a call fails, and how.
func (r *rig) fails(err, want error, words ...string) {
	r.t.Helper()
	if !errors.Is(err, want) {
		r.t.Fatalf("error %v; want %v\n%s", err, want, r.said())
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			r.t.Errorf("%q does not say %q", err, w)
		}
	}
}

func volts(v float64) bench.Setup {
	return bench.Setup{Mode: bench.ForceVoltage, Level: v, Range: 2, Compliance: 1e-3}
}

// energise brings channel 1 up to a voltage.
func (r *rig) energise(v float64) {
	r.t.Helper()
	r.must(r.Set(r.t.Context(), 1, volts(0)))
	r.must(r.Output(r.t.Context(), 1, true))
	r.must(r.Set(r.t.Context(), 1, volts(v)))
}

const aperture = 20 * time.Millisecond

// reads reads channel 1 and checks the voltage.
func (r *rig) reads(v float64) {
	r.t.Helper()
	s, err := r.Read(r.t.Context(), []bench.ChannelID{1}, aperture, nil)
	r.must(err)
	if len(s) != 1 || s[0].Channel != 1 || s[0].V != v {
		r.t.Fatalf("samples %+v, want %g V", s, v)
	}
}

// await waits until a connection is in a condition.
func (r *rig) await(i int, want cardinfo.Condition) cardinfo.Health {
	r.t.Helper()
	for range 1000 {
		synctest.Wait()
		if h := r.Health()[i]; h.Condition == want {
			return h
		}
		<-time.After(50 * time.Millisecond)
	}
	r.t.Fatalf("%+v is not %s\n%s", r.Health()[i], want, r.said())
	return cardinfo.Health{}
}

package card

import (
	"context"
	"errors"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/emulator"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/rehearsal"
)

// TestCheck: a check takes the connection from the bench, and gives it back
// safe and as if the bench had just been made safe.
func TestCheck(t *testing.T) {
	alone(t, func(t *testing.T) {
		hardware, err := rehearsal.New(rehearsal.Config{Definition: rehearsal.DefaultBench(), Seed: 1})
		if err != nil {
			t.Fatal(err)
		}
		x := newChaosOn(t, hardware, newWitness(), rand.New(rand.NewPCG(1, 1)), emulator.NewOrders(1))
		x.safe()
		n, failed := 0, 0
		err = x.link.Check(t.Context(), "card", func(f cardinfo.Finding) {
			n++
			if f.Verdict == cardinfo.Fail {
				failed++
				t.Logf("%s: %s: expected %s, came %s", f.Group, f.Title, f.Expected, f.Came)
			}
		})
		if err != nil {
			t.Error(err)
		}
		if n < 300 || failed > 0 {
			t.Errorf("%d findings, %d failed", n, failed)
		}
		if h := x.link.Health()[0]; h.Condition != cardinfo.Ready {
			t.Errorf("health %+v", h)
		}
		// Nothing has to be made safe: the card has confirmed that it is.
		if err := x.link.Set(t.Context(), 1, volts(0.5)); err != nil {
			t.Error(err)
		}
		if err := x.link.Check(t.Context(), "nobody", func(cardinfo.Finding) {}); err == nil {
			t.Error("nobody was checked")
		}
	})
}

// TestMakeSafeEndsACheck: at once.
func TestMakeSafeEndsACheck(t *testing.T) {
	alone(t, func(t *testing.T) {
		x := newChaos(t, rand.New(rand.NewPCG(1, 1)), emulator.NewOrders(1))
		x.safe()
		got := make(chan error, 1)
		go func() { got <- x.link.Check(context.Background(), "card", func(cardinfo.Finding) {}) }()
		for x.w.energised() == "" {
			<-time.After(10 * time.Millisecond)
			synctest.Wait()
		}
		began := time.Now()
		x.safe()
		if took := time.Since(began); took > time.Second {
			t.Errorf("it took %v", took)
		}
		if err := <-got; !errors.Is(err, bench.ErrMadeSafe) {
			t.Errorf("check: %v", err)
		}
		if err := x.link.Set(t.Context(), 1, volts(0.5)); err != nil {
			t.Error(err)
		}
	})
}

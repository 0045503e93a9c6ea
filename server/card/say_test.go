package card

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/bench"
	"ohmkeep/server/talk"
)

// TestSay: what a person says to a card, beside what the bench does with it.
func TestSay(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		r.energise(0.5)
		ctx := t.Context()
		x, err := r.Say(ctx, "card 1", "*IDN?;OUTP1?", 50*time.Millisecond)
		r.must(err)
		if diff := cmp.Diff([]string{"Maker,Card,A1,1.0;1"}, x.Answers); diff != "" || len(x.Errors) > 0 || x.Took < 50*time.Millisecond {
			t.Errorf("%+v\n%s", x, diff)
		}
		if len(x.Events) < 2 || x.Events[0].Dir != talk.Out || string(x.Events[0].Bytes) != "*IDN?;OUTP1?\n" {
			t.Errorf("events %+v", x.Events)
		}
		x, err = r.Say(ctx, "card 1", "HEAT?", 50*time.Millisecond)
		r.must(err)
		if len(x.Answers) > 0 || len(x.Errors) != 1 || !strings.Contains(x.Errors[0], "-113") {
			t.Errorf("%+v", x)
		}
		// Questions change nothing.
		r.must(r.Set(ctx, 1, volts(0.25)))
		r.reads(0.25)
		<-time.After(3 * time.Second)
		if faults, _ := r.Faults(ctx); len(faults) > 0 {
			t.Errorf("faults %v", faults)
		}
		if _, err := r.Say(ctx, "card 1", "OUTP2 OFF", 10*time.Millisecond); err != nil {
			t.Fatal(err)
		}
		r.fails(r.Set(ctx, 1, volts(0.5)), ErrStale)
		r.recovers(0.5)
		if _, err := r.Say(ctx, "card 9", "*IDN?", time.Millisecond); err == nil {
			t.Error("somebody else answered")
		}
	})
}

// TestSayToACardThatIsNotReady: which is when it is most needed.
func TestSayToACardThatIsNotReady(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		f.twist(twist{on: "*IDN?", do: says("nobody\n"), times: 1000})
		r := &rig{t: t, cards: []*fakeCard{f}}
		r.open(fakeBench(1))
		r.must(r.Settled(t.Context()))
		x, err := r.Say(t.Context(), "card 1", "*IDN?", 50*time.Millisecond)
		r.must(err)
		if diff := cmp.Diff([]string{"nobody"}, x.Answers); diff != "" {
			t.Error(diff)
		}
		f.plugged(false)
		_, err = r.Say(t.Context(), "card 1", "*IDN?", 50*time.Millisecond)
		r.fails(err, ErrDown)
	})
}

// TestMakeSafeEndsSay: a person who waits for an answer does not keep the bench
// from being made safe.
func TestMakeSafeEndsSay(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		r.energise(0.5)
		got := make(chan error, 1)
		go func() {
			_, err := r.Say(context.Background(), "card 1", "OUTP2?", time.Minute)
			got <- err
		}()
		synctest.Wait()
		began := time.Now()
		r.must(r.MakeSafe(t.Context()))
		if took := time.Since(began); took > 20*time.Millisecond || !f.safe() {
			t.Errorf("it took %v, safe: %v", took, f.safe())
		}
		if err := <-got; !errors.Is(err, bench.ErrMadeSafe) {
			t.Errorf("say: %v", err)
		}
	})
}

func TestOnlyAsks(t *testing.T) {
	for message, want := range map[string]bool{
		"*IDN?": true, "OUTP1?;:SOUR1:VOLT?": true, "READ? (@1,2)": true, "*ESR?\nSYST:ERR?": true, "": true,
		"OUTP1 ON": false, "*IDN?;*RST": false, "*IDN?\n*RST": false, "VOLT 1;VOLT?": false, `DISP "?"`: false, "(": false,
		"READ?(@1)": false, // no separator: whatever a card makes of it
	} {
		if got := onlyAsks(message); got != want {
			t.Errorf("%q only asks: %v", message, got)
		}
	}
}

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
	"ohmkeep/server/cardinfo"
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
		if len(x.Events) < 2 || x.Events[0].Dir != cardinfo.Out || string(x.Events[0].Bytes) != "*IDN?;OUTP1?\n" {
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
		"READ?(@1)": true, "READ?\t(@1)": true, "OUTP1?  ;*IDN?": true,
		"OUTP1\tON?": false, "OUTP1(@1)?": false, "OUTP1\rON?": false, // IEEE 488.2, 7.4.1.2: any control code separates
	} {
		if got := onlyAsks(message); got != want {
			t.Errorf("%q only asks: %v", message, got)
		}
	}
}

// TestSayLeavesNothingOn: what is said over a connection of its own to a card
// that is not ready leaves nothing on that nobody looks after.
func TestSayLeavesNothingOn(t *testing.T) {
	const on = "SOUR1:VOLT:RANG 10;:SOUR1:VOLT 5;:SENS1:CURR:PROT 0.01;:OUTP1 ON"
	for _, c := range []struct {
		name  string
		twist twist
		safe  bool
	}{
		{"safe", twist{on: "nothing"}, true},
		{"asked again", twist{on: "OUTP1?", do: silent}, true},
		{"not carried out", twist{on: "ABOR", do: silent, times: 1000}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			alone(t, func(t *testing.T) {
				def := fakeBench(1)
				def.Connections[0].Serial = "another"
				f := newFake()
				r := &rig{t: t, cards: []*fakeCard{f}}
				r.open(def)
				r.must(r.Settled(t.Context()))
				f.reboot() // whose bit nobody has read
				f.twist(c.twist)
				x, err := r.Say(t.Context(), "card 1", on, 50*time.Millisecond)
				r.must(err)
				said := strings.Join(x.Errors, "\n")
				if f.safe() != c.safe || strings.Contains(said, "not confirmed") == c.safe || strings.Contains(said, "restarted") {
					t.Errorf("safe: %v; errors %q\n%s", f.safe(), said, r.said())
				}
				for _, m := range f.messages() {
					if m == on {
						return
					}
				}
				t.Error("it was not sent")
			})
		})
	}
}

// TestMakeSafeEndsSayToACardThatIsNotReady: which leaves nothing on either.
func TestMakeSafeEndsSayToACardThatIsNotReady(t *testing.T) {
	alone(t, func(t *testing.T) {
		def := fakeBench(1)
		def.Connections[0].Serial = "another"
		f := newFake()
		r := &rig{t: t, cards: []*fakeCard{f}}
		r.open(def)
		r.must(r.Settled(t.Context()))
		got := make(chan error, 1)
		go func() {
			_, err := r.Say(context.Background(), "card 1", "SENS1:CURR:PROT 0.01;:OUTP1 ON", time.Minute)
			got <- err
		}()
		<-time.After(time.Second)
		if f.safe() {
			t.Fatal("nothing was on")
		}
		if err := r.MakeSafe(t.Context()); err == nil {
			t.Error("a card that was refused was made safe")
		}
		if err := <-got; !errors.Is(err, bench.ErrMadeSafe) || !f.safe() {
			t.Errorf("say: %v; safe: %v", err, f.safe())
		}
	})
}

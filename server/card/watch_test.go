package card

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
)

// TestWatchdogIsFed: a card whose host is at work but has nothing to say does
// not make itself safe.
func TestWatchdogIsFed(t *testing.T) {
	for _, watchdog := range []float64{2, 0.4} {
		alone(t, func(t *testing.T) {
			def := fakeBench(1)
			def.Connections[0].Watchdog = watchdog
			f := newFake()
			f.watchdog = seconds(watchdog)
			r := newRigOf(t, def, f)
			r.energise(0.5)
			n := len(f.messages())
			<-time.After(time.Minute)
			r.reads(0.5)
			said := len(f.messages()) - n
			if most := int(2*60*4/watchdog) + 10; f.dogs > 0 || said > most {
				t.Errorf("the watchdog came %d times; %d messages in a minute, at most %d wanted", f.dogs, said, most)
			}
			_, err := r.Read(t.Context(), []bench.ChannelID{1}, 10*time.Second, nil)
			r.must(err)
			r.reads(0.5)
		})
	}
}

// TestWatchdogIsNotFedForNobody: where a call has failed and nobody makes the
// bench safe, the card's own watchdog does.
func TestWatchdogIsNotFedForNobody(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		f.watchdog = 2 * time.Second
		r := newRig(t, f)
		r.energise(0.5)
		f.twist(twist{on: "SOUR1:VOLT", do: first(reported(-222, "Data out of range"))})
		r.fails(r.Set(t.Context(), 1, volts(1)), ErrReported)
		<-time.After(5 * time.Second)
		if f.dogs != 1 || !f.safe() {
			t.Errorf("the watchdog came %d times", f.dogs)
		}
		r.recovers(0.5)
	})
}

// TestNoticed: what happens to a card that nobody talks to is noticed, becomes
// a fault where anything was on, and the person is told.
func TestNoticed(t *testing.T) {
	for _, c := range []struct {
		name  string
		live  bool
		do    func(f *fakeCard)
		lost  string // what Lost is told, "" where it is not
		fault int    // 0: none
	}{
		{"unplugged, idle", false, (*fakeCard).hangUp, "connection has ended", 0},
		{"unplugged, on", true, (*fakeCard).hangUp, "connection has ended", CodeLost},
		{"frozen, idle", false, func(f *fakeCard) { f.twist(twist{do: silent, times: 100}) }, "no answer", 0},
		{"frozen, on", true, func(f *fakeCard) { f.twist(twist{do: silent, times: 100}) }, "no answer", CodeLost},
		{"restarted, idle", false, (*fakeCard).reboot, "restarted", 0},
		{"restarted, on", true, (*fakeCard).reboot, "restarted", CodeRestarted},
		{"an error, idle", false, reported(-240, "Hardware error"), "", 0},
		{"an error, on", true, reported(-240, "Hardware error"), "Hardware error", -240},
		{"noise, on", true, reported(-113, "Undefined header"), "", 0},
		{"somebody switched off", true, off, "should be on", CodeState},
		{"somebody switched on", false, func(f *fakeCard) {
			f.mu.Lock()
			defer f.mu.Unlock()
			f.outs[1].on = true
		}, "should be off", 0},
		{"somebody closed a path", false, func(f *fakeCard) {
			f.mu.Lock()
			defer f.mu.Unlock()
			f.closed = []string{"2!2"}
		}, "should be open", 0},
		{"a keep-alive that is answered late", true, func(f *fakeCard) { f.twist(twist{on: "*ESR?", do: late(200 * time.Millisecond)}) }, "", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			alone(t, func(t *testing.T) {
				f := newFake()
				r := newRig(t, f)
				if c.live {
					r.energise(0.5)
				}
				c.do(f)
				<-time.After(4500 * time.Millisecond)
				synctest.Wait()
				lost, _ := r.told()
				switch {
				case c.lost == "" && len(lost) > 0:
					t.Errorf("told of %q\n%s", lost, r.said())
				case c.lost != "" && (len(lost) == 0 || !strings.Contains(lost[0], c.lost)):
					t.Errorf("told %q, want %q\n%s", lost, c.lost, r.said())
				}
				faults, err := r.Faults(t.Context())
				r.must(err)
				if c.fault == 0 && len(faults) > 0 || c.fault != 0 && (len(faults) == 0 || faults[0].Code != c.fault) {
					t.Errorf("faults %+v, want code %d", faults, c.fault)
				}
				if !c.live && !f.safe() && c.lost != "no answer" {
					t.Error("not safe again")
				}
				f.mu.Lock()
				f.twists = nil
				f.mu.Unlock()
				r.recovers(0.25)
			})
		})
	}
}

// TestBackoff: attempts become rarer, and one more is made at once when the
// bench is to be made safe.
func TestBackoff(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		f.plugged(false)
		r := &rig{t: t, cards: []*fakeCard{f}}
		r.open(fakeBench(1))
		r.must(r.Settled(t.Context()))
		tries := func(after time.Duration) int {
			<-time.After(after)
			synctest.Wait()
			return r.Health()[0].Tries
		}
		early := tries(time.Second)
		late := tries(time.Minute) - early
		if early < 3 || early > 6 || late < 11 || late > 20 {
			t.Errorf("%d attempts in the first second, %d in the minute after", early, late)
		}
		h := r.Health()[0]
		if h.Condition != cardinfo.Connecting || !strings.Contains(h.Reason, "no way to the card") || h.Remedy == "" {
			t.Errorf("health %+v", h)
		}
		f.plugged(true)
		if h := r.await(0, cardinfo.Ready); h.Reason != "" || h.Remedy != "" {
			t.Errorf("health %+v", h)
		}
		if lost, _ := r.told(); len(lost) > 0 {
			t.Errorf("told of the loss of what was never there: %q", lost)
		}
	})
}

// TestAnotherCard: only the card that was there, or that the definition names,
// is accepted.
func TestAnotherCard(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		f.mu.Lock()
		f.serial = "Z9"
		f.mu.Unlock()
		f.hangUp()
		h := r.await(0, cardinfo.Refused)
		if !strings.Contains(h.Reason, "Z9") || !strings.Contains(h.Reason, "A1") || !strings.Contains(h.Remedy, "right card") {
			t.Errorf("health %+v", h)
		}
		r.fails(r.MakeSafe(t.Context()), ErrDown, "unknown, check the bench", "Z9")
		f.mu.Lock()
		f.serial = "A1"
		f.mu.Unlock()
		r.recovers(0.5)
	})
	alone(t, func(t *testing.T) {
		def := fakeBench(1)
		def.Connections[0].Serial = "B7"
		f := newFake()
		r := &rig{t: t, cards: []*fakeCard{f}}
		r.open(def)
		r.must(r.Settled(t.Context()))
		if h := r.await(0, cardinfo.Refused); !strings.Contains(h.Reason, "B7") {
			t.Errorf("health %+v", h)
		}
		for _, m := range f.messages() {
			if strings.Contains(m, "*RST") {
				t.Errorf("%q was sent to somebody else's card", m)
			}
		}
	})
}

// TestMixture: a bench is all rehearsal or none.
func TestMixture(t *testing.T) {
	alone(t, func(t *testing.T) {
		a, b := newFake(), newFake()
		a.model, b.serial = "Rehearsal card", "B2"
		r := &rig{t: t, cards: []*fakeCard{a, b}}
		r.open(fakeBench(2))
		r.must(r.Settled(t.Context()))
		synctest.Wait()
		refused := 0
		for _, h := range r.Health() {
			if h.Condition == cardinfo.Refused && strings.Contains(h.Reason, "rehearse") {
				refused++
			}
		}
		if refused != 1 {
			t.Errorf("health %+v", r.Health())
		}
		if _, err := r.Identify(t.Context()); err == nil {
			t.Error("a mixture has an identity")
		}
		if err := r.MakeSafe(t.Context()); err == nil {
			t.Error("a mixture is safe")
		}
		b.mu.Lock()
		a.mu.Lock()
		a.model, b.model = "Rehearsal card", "Rehearsal card"
		a.mu.Unlock()
		b.mu.Unlock()
		a.hangUp()
		b.hangUp()
		r.await(0, cardinfo.Ready)
		r.await(1, cardinfo.Ready)
		if id, err := r.Identify(t.Context()); err != nil || !id.Rehearsal {
			t.Errorf("identity %+v, %v", id, err)
		}
	})
}

// TestNotACard: what answers and is no card is not used.
func TestNotACard(t *testing.T) {
	for name, tw := range map[string]twist{
		"another identity":   {on: "*IDN?", do: says("hello\n"), times: 100},
		"does not make safe": {on: "ABOR", do: first(reported(-113, "Undefined header")), times: 100},
		"does not reset": {on: "*CLS", do: func(f *fakeCard, _ string) (string, bool) {
			reported(-221, "Settings conflict")(f)
			return "", true
		}, times: 100},
		"says nothing":        {do: silent, times: 1 << 30},
		"hangs up":            {do: says(hangUp), times: 1 << 30},
		"talks without cease": {on: "ABOR", do: func(f *fakeCard, _ string) (string, bool) { return "1\n2\n3\n", true }, times: 1 << 30},
	} {
		t.Run(name, func(t *testing.T) {
			alone(t, func(t *testing.T) {
				f := newFake()
				f.twist(tw)
				r := &rig{t: t, cards: []*fakeCard{f}}
				r.open(fakeBench(1))
				r.must(r.Settled(t.Context()))
				<-time.After(5 * time.Second)
				h := r.Health()[0]
				if h.Condition == cardinfo.Ready || h.Reason == "" || h.Remedy == "" {
					t.Errorf("health %+v", h)
				}
			})
		})
	}
}

package card

import (
	"errors"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/wire"
	"ohmkeep/server/cardinfo"
)

// blurt makes the card send a line unasked.
func (f *fakeCard) blurt(text string) {
	f.mu.Lock()
	s := f.streams[len(f.streams)-1]
	f.mu.Unlock()
	_, _ = io.WriteString(s, text)
}

// blurtNow is blurt, for a host that has nothing asked and notices.
func (f *fakeCard) blurtNow(text string) {
	f.blurt(text)
	synctest.Wait()
}

func off(f *fakeCard) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.outs[0].on = false
}

func level(v float64) func(f *fakeCard) {
	return func(f *fakeCard) {
		f.mu.Lock()
		defer f.mu.Unlock()
		f.outs[0].level = v
	}
}

// reported has the card put an error into its queue.
func reported(n int, text string) func(f *fakeCard) {
	return func(f *fakeCard) {
		f.mu.Lock()
		defer f.mu.Unlock()
		f.fails(n, text)
	}
}

// TestReadingFaults: a reading that did not come or cannot be believed is taken
// once more; whatever says that the card is not as it was set ends it. No value
// but that of the reading asked for is ever returned.
func TestReadingFaults(t *testing.T) {
	const right = 0.5
	stale := "1.9E+0,1.9E-3,4,5.0E-1\n" // a believable answer, to something else
	answers := func(out string) func(*fakeCard, string) (string, bool) { return says(out + "\n") }
	for _, c := range []struct {
		name string
		do   func(*fakeCard, string) (string, bool)
		want error // nil: the second reading is good
		says string
	}{
		{"silent", silent, nil, ""},
		{"late", func(*fakeCard, string) (string, bool) { <-time.After(250 * time.Millisecond); return stale, true }, nil, ""},
		{"late beyond hope", func(*fakeCard, string) (string, bool) { <-time.After(5 * time.Second); return stale, true }, wire.ErrTimeout, "power"},
		{"garbled", answers("1.9\x80\xff,4"), nil, ""},
		{"words", answers("what?"), nil, ""},
		{"empty fields", answers(",,,"), nil, ""},
		{"no number", answers("9.91E37,9.91E37,4,0.5"), nil, ""},
		{"beyond the range", answers("12,0,4,0.5"), nil, ""},
		{"too few values", answers("0.5,0"), nil, ""},
		{"two readings", answers("0.5,0.0005,4,0.5,0.5,0.0005,4,0.5"), nil, ""},
		{"half", says("1.9E+0,1.9"), nil, ""},
		{"two lines", answers("1.9,0,4,0.5\n1.9,0,4,0.5"), nil, ""},
		{"a line before", func(f *fakeCard, _ string) (string, bool) { f.blurt("ready.\n"); return "", false }, nil, ""},
		{"no status", answers("1.9,0,77,0.5"), nil, ""},
		{"output off", first(off), ErrState, "should be on"},
		{"another level", first(level(0.6)), ErrState, "should have 0.5"},
		{"restarted", first((*fakeCard).reboot), ErrRestarted, "restarted"},
		{"watchdog", first(func(f *fakeCard) { f.mu.Lock(); f.reset(); f.fails(-365, "Time out error;watchdog"); f.mu.Unlock() }), ErrState, "watchdog"},
		{"hang up", says(hangUp), wire.ErrClosed, "cable"},
	} {
		t.Run(c.name, func(t *testing.T) {
			alone(t, func(t *testing.T) {
				f := newFake()
				r := newRig(t, f)
				r.energise(right)
				r.reads(right)
				f.twist(twist{on: "READ?", do: c.do})
				if c.want == nil {
					r.reads(right)
					r.reads(right)
					h := r.Health()[0]
					if nothing := c.name == "silent" || c.name == "half"; h.Late+h.Garbled == 0 && !nothing {
						t.Errorf("nothing was counted: %+v", h)
					}
					if !strings.Contains(r.said(), "taken again") {
						t.Error("nothing in the log")
					}
					if got, err := r.Faults(t.Context()); len(got) > 0 || err != nil {
						t.Errorf("faults %v, %v", got, err)
					}
					return
				}
				s, err := r.Read(t.Context(), []bench.ChannelID{1}, aperture, nil)
				r.fails(err, c.want, c.says)
				if len(s) > 0 {
					t.Errorf("samples %+v beside an error", s)
				}
				r.fails(r.Set(t.Context(), 1, volts(1)), either(r, ErrStale, ErrDown))
				r.recovers(right)
			})
		})
	}
}

// either returns the one of two errors that a call must give, depending on whether the
// connection is back already.
func either(r *rig, back, gone error) error {
	if r.conns[0].session() == nil {
		return gone
	}
	return back
}

// recovers checks that the bench can be used again after the fault, once it was
// made safe.
func (r *rig) recovers(v float64) {
	r.t.Helper()
	r.await(0, cardinfo.Ready)
	r.must(r.MakeSafe(r.t.Context()))
	if !r.cards[0].safe() {
		r.t.Fatal("not safe")
	}
	if got, _ := r.Faults(r.t.Context()); len(got) > 0 {
		r.t.Errorf("faults from before: %v", got)
	}
	r.energise(v)
	r.reads(v)
}

// TestSecondFault: a reading is taken once more, not for ever.
func TestSecondFault(t *testing.T) {
	for name, do := range map[string]func(*fakeCard, string) (string, bool){
		"silent": silent, "no number": says("9.91E37,0,4,0.5\n"), "garbled": says("\x01\n"),
	} {
		t.Run(name, func(t *testing.T) {
			alone(t, func(t *testing.T) {
				f := newFake()
				r := newRig(t, f)
				r.energise(0.5)
				f.twist(twist{on: "READ?", times: 2, do: do})
				_, err := r.Read(t.Context(), []bench.ChannelID{1}, aperture, nil)
				if err == nil || !strings.Contains(err.Error(), "second time") {
					t.Errorf("error %v", err)
				}
				r.fails(r.Set(t.Context(), 1, volts(0)), ErrStale)
				r.recovers(0.5)
			})
		})
	}
}

// TestReportedWhileReading: what the card has to report becomes faults; the
// reading stands, and whoever asked decides.
func TestReportedWhileReading(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		r.energise(0.5)
		r.reads(0.5)
		reported(-240, "Hardware error;fan")(f)
		r.reads(0.5)
		faults, err := r.Faults(t.Context())
		r.must(err)
		if len(faults) != 1 || faults[0].Code != -240 || !strings.Contains(faults[0].Message, "fan") {
			t.Errorf("faults %+v", faults)
		}
		if again, _ := r.Faults(t.Context()); len(again) != 0 {
			t.Errorf("faults told twice: %v", again)
		}
	})
}

// TestFlags: what a reading says of itself.
func TestFlags(t *testing.T) {
	for _, c := range []struct {
		answer string
		v      float64
		flags  bench.Flags
	}{
		{"0.5,1E-3,5,0.5", 0.5, bench.InCompliance},
		{"2.1,1E-3,6,0.5", 2.1, bench.OverRange},
		{"9.9E37,1E-3,6,0.5", 2.1, bench.OverRange},
		{"-9.9E+37,1E-3,4,0.5", -2.1, bench.OverRange},
		{"+0.5,1E-3,+7,+5.0000E-01", 0.5, bench.InCompliance | bench.OverRange},
	} {
		alone(t, func(t *testing.T) {
			f := newFake()
			r := newRig(t, f)
			r.energise(0.5)
			f.twist(twist{on: "READ?", do: says(c.answer + "\r\n")})
			s, err := r.Read(t.Context(), []bench.ChannelID{1}, aperture, nil)
			r.must(err)
			if s[0].V != c.v || s[0].Flags != c.flags {
				t.Errorf("%s: %+v", c.answer, s[0])
			}
		})
	}
}

// TestSettingFaults: whatever goes wrong with a call that sets something is an
// error, and nothing else is set until the bench was made safe.
func TestSettingFaults(t *testing.T) {
	for _, c := range []struct {
		name, on string
		do       func(*fakeCard, string) (string, bool)
		want     error
		says     string
	}{
		{"no confirmation", "*ESR?", silent, wire.ErrTimeout, "SOUR1:VOLT"},
		{"late confirmation", "*ESR?", late(200 * time.Millisecond), wire.ErrTimeout, "longer timeout"},
		{"garbled confirmation", "*ESR?", says("\x80\n"), wire.ErrGarbled, ""},
		{"senseless confirmation", "*ESR?", says("yes\n"), ErrAnswer, "yes"},
		{"an error", "SOUR1:VOLT 5", first(reported(-222, "Data out of range")), ErrReported, "-222 Data out of range"},
		{"an error without words", "*ESR?", says("16\n"), ErrReported, "queue is empty"},
		{"restarted", "SOUR1:VOLT 5", first((*fakeCard).reboot), ErrRestarted, "make the bench safe"},
		{"hang up", "SOUR1:VOLT 5", says(hangUp), wire.ErrClosed, "cable"},
	} {
		t.Run(c.name, func(t *testing.T) {
			alone(t, func(t *testing.T) {
				f := newFake()
				r := newRig(t, f)
				r.energise(0.25)
				f.twist(twist{on: c.on, do: c.do})
				r.fails(r.Set(t.Context(), 1, volts(0.5)), c.want, c.says, "card 1")
				r.fails(r.Output(t.Context(), 2, true), either(r, ErrStale, ErrDown))
				_, err := r.Read(t.Context(), []bench.ChannelID{1}, aperture, nil)
				r.fails(err, either(r, ErrStale, ErrDown))
				r.recovers(0.5)
			})
		})
	}
}

// TestBlurtBetweenCalls: what comes unasked is thrown away before the next
// message is sent, and the card is looked at.
func TestBlurtBetweenCalls(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		r.energise(0.25)
		f.blurtNow("1.9E+0,1.9E-3,4,2.5E-1\n")
		r.reads(0.25)
		f.blurtNow("\x00\x80noise")
		r.must(r.Set(t.Context(), 1, volts(0.5)))
		r.reads(0.5)
		f.reboot()
		f.blurtNow("Card starting\n")
		n := len(f.messages())
		r.fails(r.Set(t.Context(), 1, volts(1)), ErrRestarted)
		for _, m := range f.since(n) {
			if strings.Contains(m, "VOLT") {
				t.Errorf("%q was sent to a card that had restarted", m)
			}
		}
		r.recovers(0.5)
	})
}

// TestTwoAnswers: a card that answers a reading twice may have the second
// answer taken for that of the next; the readings are reported.
func TestTwoAnswers(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		r.energise(0.25)
		r.reads(0.25)
		if faults, _ := r.Faults(t.Context()); len(faults) > 0 {
			t.Errorf("faults %+v", faults)
		}
		f.blurtNow("2.5E-1,2.5E-4,4,2.5E-1\n")
		faults, _ := r.Faults(t.Context())
		if len(faults) != 1 || faults[0].Code != CodeUnexpected {
			t.Errorf("faults %+v", faults)
		}
		r.reads(0.25)
		f.blurtNow("2.5E-1,2.5E-4,4,2.5E-1\n")
		r.must(r.Set(t.Context(), 1, volts(0.5)))
		if faults, _ := r.Faults(t.Context()); len(faults) != 1 {
			t.Errorf("faults %+v", faults)
		}
	})
}

// TestRebootAmongSpoiltAnswers: that a card has restarted is said once; where
// that answer is lost the comparison of its state still finds out.
func TestRebootAmongSpoiltAnswers(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		r.energise(0.25)
		f.reboot()
		f.twist(twist{on: "*ESR?", do: func(f *fakeCard, _ string) (string, bool) {
			f.mu.Lock()
			f.esr = 0
			f.mu.Unlock()
			return "\x90\n", true
		}})
		<-time.After(3 * time.Second) // the keep-alive
		synctest.Wait()
		faults, _ := r.Faults(t.Context())
		if len(faults) != 1 || faults[0].Code != CodeState {
			t.Errorf("faults %+v", faults)
		}
		r.fails(r.Set(t.Context(), 1, volts(0.5)), ErrStale)
		r.recovers(0.5)
	})
}

// TestSpoiltMessage: an error that a spoilt message explains is no reason to
// give up a reading.
func TestSpoiltMessage(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		r.energise(0.25)
		f.twist(twist{on: "READ?", do: func(f *fakeCard, _ string) (string, bool) {
			reported(-113, "Undefined header")(f)
			return "", true
		}})
		r.reads(0.25)
		f.twist(twist{on: "READ?", do: func(f *fakeCard, _ string) (string, bool) {
			reported(-240, "Hardware error")(f)
			return "", true
		}})
		_, err := r.Read(t.Context(), []bench.ChannelID{1}, aperture, nil)
		r.fails(err, ErrReported, "-240")
		var said CardErrors
		if !errors.As(err, &said) || len(said) != 1 {
			t.Errorf("%v carries %v", err, said)
		}
	})
}

// TestReadingsThatDoNotTell: where a reading does not say whether its output is
// on, the card is asked in between, however fast readings follow each other.
func TestReadingsThatDoNotTell(t *testing.T) {
	for name, c := range map[string]struct {
		do   func(f *fakeCard)
		want error
	}{
		"restarted":  {(*fakeCard).reboot, ErrRestarted},
		"off":        {off, ErrState},
		"an error":   {reported(-240, "Hardware error"), ErrReported},
		"a bad line": {reported(-113, "Undefined header"), nil},
		"slow once":  {func(f *fakeCard) { f.twist(twist{on: "*ESR?", do: silent}) }, nil},
	} {
		t.Run(name, func(t *testing.T) {
			alone(t, func(t *testing.T) {
				def := fakeBench(1)
				def.Connections[0].Commands.Fields = "v,i,skip,skip"
				r := newRigOf(t, def, newFake())
				r.energise(1)
				<-time.After(100 * time.Millisecond)
				r.reads(1)
				c.do(r.cards[0])
				for began := time.Now(); time.Since(began) < time.Second; {
					_, err := r.Read(t.Context(), []bench.ChannelID{1}, aperture, nil)
					if c.want != nil && err != nil {
						r.fails(err, c.want)
						return
					}
					r.must(err)
				}
				if c.want != nil {
					t.Error("not noticed")
				}
			})
		})
	}
}

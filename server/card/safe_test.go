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

// TestMakeSafeCutsACall: a call in flight returns, whatever it waits for, and
// the card is safe long before it would have been done.
func TestMakeSafeCutsACall(t *testing.T) {
	for name, call := range map[string]func(r *rig) error{
		"a long reading": func(r *rig) error {
			_, err := r.Read(context.Background(), []bench.ChannelID{1}, 10*time.Second, nil)
			return err
		},
		"a setting without an answer": func(r *rig) error {
			r.cards[0].twist(twist{on: "*ESR?", do: silent})
			return r.Set(context.Background(), 1, volts(1))
		},
		"paths": func(r *rig) error {
			r.cards[0].twist(twist{on: "*ESR?", do: silent})
			return r.Close(context.Background(), []bench.PathID{1})
		},
	} {
		t.Run(name, func(t *testing.T) {
			alone(t, func(t *testing.T) {
				f := newFake()
				r := newRig(t, f)
				r.energise(0.5)
				got := make(chan error, 1)
				go func() { got <- call(r) }()
				synctest.Wait()
				began := time.Now()
				r.must(r.MakeSafe(t.Context()))
				if took := time.Since(began); took > 20*time.Millisecond {
					t.Errorf("it took %v", took)
				}
				if !f.safe() {
					t.Error("not safe")
				}
				if err := <-got; !errors.Is(err, bench.ErrMadeSafe) {
					t.Errorf("the call: %v", err)
				}
				r.energise(0.5)
				r.reads(0.5)
			})
		})
	}
}

// TestMakeSafeWithoutTime: it does its work also where the context has ended.
func TestMakeSafeWithoutTime(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		r.energise(0.5)
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		r.must(r.MakeSafe(ctx))
		if !f.safe() {
			t.Error("not safe")
		}
	})
}

// TestMakeSafeIsNeverBelieved: nil only where the card has confirmed it.
func TestMakeSafeIsNeverBelieved(t *testing.T) {
	for _, c := range []struct {
		name  string
		twist twist
		safe  bool // in the end
	}{
		{"the message is lost once", twist{on: "ABOR", do: silent}, true},
		{"the message is never carried out", twist{on: "ABOR", do: silent, times: 1000}, false},
		{"the answer about an output is lost", twist{on: "OUTP1?", do: silent}, true},
		{"the answer about an output makes no sense", twist{on: "OUTP1?", do: says("2\n")}, true},
		{"an output stays on", twist{on: "OUTP1?", do: says("1\n"), times: 1000}, false},
		{"a path stays closed", twist{on: "ROUT:CLOS:STAT?", do: says("(@1!1)\n"), times: 1000}, false},
		{"no list of paths", twist{on: "ROUT:CLOS:STAT?", do: says("1!1\n"), times: 1000}, false},
		{"nothing is answered", twist{on: "", do: silent, times: 1 << 30}, false},
		{"it restarts meanwhile", twist{on: "ABOR", do: first((*fakeCard).reboot)}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			alone(t, func(t *testing.T) {
				f := newFake()
				r := newRig(t, f)
				r.energise(0.5)
				r.must(r.Close(t.Context(), []bench.PathID{1}))
				f.twist(c.twist)
				began := time.Now()
				err := r.MakeSafe(t.Context())
				if took := time.Since(began); took > safeWithin+100*time.Millisecond {
					t.Errorf("it took %v", took)
				}
				if c.safe {
					r.must(err)
					if !f.safe() {
						t.Error("not safe")
					}
					return
				}
				if err == nil || !strings.Contains(err.Error(), "unknown, check the bench") {
					t.Errorf("error %v\n%s", err, r.said())
				}
				if err := r.Set(t.Context(), 1, volts(0)); err == nil {
					t.Error("set on a card that is not confirmed safe")
				}
			})
		})
	}
}

// TestMakeSafeOfALostCard: it is tried once more at once, and otherwise said
// plainly that nothing is known.
func TestMakeSafeOfALostCard(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		r.energise(0.5)
		f.plugged(false)
		<-time.After(20 * time.Second) // the pauses have grown
		began := time.Now()
		err := r.MakeSafe(t.Context())
		if took := time.Since(began); took > 1100*time.Millisecond {
			t.Errorf("it took %v", took)
		}
		r.fails(err, ErrDown, "unknown, check the bench", "card 1")
		f.plugged(true)
		began = time.Now()
		r.must(r.MakeSafe(t.Context()))
		if took := time.Since(began); took > 100*time.Millisecond {
			t.Errorf("with the card back it took %v", took)
		}
		if !f.safe() {
			t.Error("not safe")
		}
	})
}

// TestMakeSafeOfOneOfTwo: one card that is not confirmed is no safe bench, and
// the other one is made safe all the same.
func TestMakeSafeOfOneOfTwo(t *testing.T) {
	alone(t, func(t *testing.T) {
		a, b := newFake(), newFake()
		b.serial = "B2"
		r := newRig(t, a, b)
		r.energise(0.5)
		b.plugged(false)
		r.fails(r.MakeSafe(t.Context()), ErrDown, "card 2")
		if !a.safe() {
			t.Error("card 1 is not safe")
		}
		r.fails(r.Set(t.Context(), 1, volts(0)), ErrStale)
		b.plugged(true)
		r.must(r.MakeSafe(t.Context()))
		r.energise(0.5)
	})
}

// TestManyMakeSafe: any number at a time.
func TestManyMakeSafe(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		r.energise(0.5)
		got := make(chan error, 8)
		for range cap(got) {
			go func() { got <- r.MakeSafe(context.Background()) }()
		}
		for range cap(got) {
			r.must(<-got)
		}
		r.energise(0.5)
	})
}

// TestEpoch: nothing is set on a card that was lost and is back, until the
// bench was made safe.
func TestEpoch(t *testing.T) {
	for name, gone := range map[string]func(f *fakeCard){
		"unplugged":     func(f *fakeCard) { f.hangUp() },
		"without power": func(f *fakeCard) { f.reboot(); f.hangUp() },
	} {
		t.Run(name, func(t *testing.T) {
			alone(t, func(t *testing.T) {
				f := newFake()
				r := newRig(t, f)
				r.energise(0.5)
				synctest.Wait()
				_, readyBefore := r.told()
				gone(f)
				synctest.Wait()
				if lost, _ := r.told(); len(lost) != 1 || !strings.Contains(lost[0], "card 1") {
					t.Errorf("told %q", lost)
				}
				r.await(0, cardinfo.Ready)
				if _, ready := r.told(); ready != readyBefore+1 {
					t.Errorf("ready was told %d times", ready-readyBefore)
				}
				if !f.safe() {
					t.Error("a card that is back is not safe")
				}
				faults, _ := r.Faults(t.Context())
				if len(faults) != 1 || faults[0].Code != CodeLost {
					t.Errorf("faults %+v", faults)
				}
				n := len(f.messages())
				ctx := t.Context()
				r.fails(r.Set(ctx, 1, volts(0.5)), ErrStale)
				r.fails(r.Output(ctx, 1, false), ErrStale)
				r.fails(r.Close(ctx, nil), ErrStale)
				_, err := r.Read(ctx, []bench.ChannelID{1}, aperture, nil)
				r.fails(err, ErrStale)
				if sent := f.since(n); len(sent) > 0 {
					t.Errorf("sent %q", sent)
				}
				r.recovers(0.5)
			})
		})
	}
}

// TestACallThatBeganBefore: a call that began before the bench was made safe
// does nothing after it, though it got its turn only then.
func TestACallThatBeganBefore(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		c := r.conns[0]
		c.use <- struct{}{} // as a keep-alive that is at work
		got := make(chan error, 1)
		go func() { got <- r.Set(context.Background(), 1, volts(1)) }()
		synctest.Wait()
		safe := make(chan error, 1)
		go func() { safe <- r.MakeSafe(context.Background()) }()
		synctest.Wait()
		<-c.use
		r.must(<-safe)
		if err := <-got; !errors.Is(err, bench.ErrMadeSafe) {
			t.Errorf("the call: %v", err)
		}
		for _, m := range f.messages() {
			if strings.Contains(m, "VOLT") {
				t.Errorf("sent %q", m)
			}
		}
	})
}

// TestDisconnectMakesSafe: what is energised is not left behind.
func TestDisconnectMakesSafe(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		r.energise(0.5)
		r.must(r.Disconnect())
		if !f.safe() {
			t.Error("not safe")
		}
		if err := r.Set(t.Context(), 1, volts(0)); err == nil {
			t.Error("set after the end")
		}
	})
}

// TestNoAnswerAboutPathsIsNoSafeBench: paths that cannot be asked about are not
// confirmed open.
func TestNoAnswerAboutPathsIsNoSafeBench(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		r.must(r.Close(t.Context(), []bench.PathID{1}))
		c := r.conns[0]
		c.use <- struct{}{} // the keep-alive does not read it meanwhile
		c.say.ClosedPaths = bench.None
		<-c.use
		r.fails(r.MakeSafe(t.Context()), ErrState, "unknown, check the bench", "paths")
	})
}

// TestResetAfterSafe: what the Reset of a dialect sets beside the standard's
// own holds after every MakeSafe, and that of any dialect after a restart.
func TestResetAfterSafe(t *testing.T) {
	alone(t, func(t *testing.T) {
		def := fakeBench(1)
		def.Connections[0].Commands.Reset = "*RST\n*CLS\nSENS1:CURR:APER 0.5"
		f := newFake()
		r := newRigOf(t, def, f)
		r.must(r.MakeSafe(t.Context()))
		f.mu.Lock()
		aperture := f.outs[0].aperture
		f.mu.Unlock()
		if aperture != 0.5 {
			t.Errorf("aperture %g s", aperture)
		}
		f.twist(twist{on: "SENS1:CURR:APER", do: first(func(f *fakeCard) {
			f.mu.Lock()
			defer f.mu.Unlock()
			f.outs[1].on = true
		}), times: 1000})
		r.fails(r.MakeSafe(t.Context()), ErrState)
	})
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		f.reboot()
		n := len(f.messages())
		r.must(r.MakeSafe(t.Context()))
		if diff := cmp.Diff([]string{"ABOR;*RST", "OUTP1?", "OUTP2?", "ROUT:CLOS:STAT?", "*RST", "*CLS", "OUTP1?", "OUTP2?", "ROUT:CLOS:STAT?"}, f.since(n)); diff != "" {
			t.Error(diff)
		}
	})
}

// TestMakeSafeOfASilentCard: it does not take longer where the connection's
// timeout is long, whatever the card does not do.
func TestMakeSafeOfASilentCard(t *testing.T) {
	for name, twist := range map[string]twist{
		"from the start":    {on: "", do: silent, times: 1 << 30},
		"once it is safe":   {on: "*ESR?", do: silent, times: 1 << 30},
		"about its outputs": {on: "OUTP2?", do: silent, times: 1 << 30},
	} {
		t.Run(name, func(t *testing.T) {
			alone(t, func(t *testing.T) {
				def := fakeBench(1)
				def.Connections[0].Timeout = 30
				f := newFake()
				r := newRigOf(t, def, f)
				r.energise(0.5)
				f.twist(twist)
				began := time.Now()
				err := r.MakeSafe(t.Context())
				// One attempt, and waiting for the card to come back.
				if took := time.Since(began); err == nil || took > safeOnce+returnWithin+100*time.Millisecond {
					t.Errorf("it took %v: %v", took, err)
				}
			})
		})
	}
}

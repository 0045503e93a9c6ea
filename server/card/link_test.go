package card

import (
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
)

// TestMessages: what is sent for each call, no more than differs.
func TestMessages(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		ctx := t.Context()
		n := len(f.messages())
		expect := func(want ...string) {
			t.Helper()
			if diff := cmp.Diff(append([]string{}, want...), f.since(n)); diff != "" {
				t.Errorf("(-want +sent)\n%s", diff)
			}
			n = len(f.messages())
		}
		r.must(r.Set(ctx, 1, volts(0)))
		expect("SOUR1:FUNC:MODE VOLT;:SOUR1:VOLT:RANG 2.0E+0;:SOUR1:VOLT 0.0E+0;:SENS1:CURR:RANG 1.0E-3;:SENS1:CURR:PROT 1.0E-3;:SOUR1:VOLT:ALC:SOUR INT")
		r.must(r.Output(ctx, 1, true))
		expect("OUTP1 ON")
		r.must(r.Set(ctx, 1, volts(0.1)))
		expect("SOUR1:VOLT 1.0E-1")
		s := volts(0.1)
		s.Remote = true
		r.must(r.Set(ctx, 1, s))
		expect("SOUR1:FUNC:MODE VOLT;:SOUR1:VOLT:RANG 2.0E+0;:SOUR1:VOLT 1.0E-1;:SENS1:CURR:RANG 1.0E-3;:SENS1:CURR:PROT 1.0E-3;:SOUR1:VOLT:ALC:SOUR EXT")
		r.must(r.Set(ctx, 2, bench.Setup{Mode: bench.ForceCurrent, Level: -1e-3, Compliance: 5}))
		expect("SOUR2:FUNC:MODE CURR;:SOUR2:CURR:RANG 1.0E-3;:SOUR2:CURR -1.0E-3;:SENS2:VOLT:RANG 1.0E+1;:SENS2:VOLT:PROT 5.0E+0")
		r.must(r.Set(ctx, 2, bench.Setup{Mode: bench.ForceCurrent, Level: 0.01, Compliance: 5}))
		expect("SOUR2:FUNC:MODE CURR;:SOUR2:CURR:RANG 1.0E-1;:SOUR2:CURR 1.0E-2;:SENS2:VOLT:RANG 1.0E+1;:SENS2:VOLT:PROT 5.0E+0")

		both := []bench.ChannelID{2, 1}
		samples, err := r.Read(ctx, both, 10*time.Millisecond, nil)
		r.must(err)
		expect("SENS2:CURR:APER 1.0E-2", "SENS1:CURR:APER 1.0E-2", "READ? (@2,1)")
		if len(samples) != 2 || samples[0].Channel != 2 || samples[1].Channel != 1 || samples[1].V != 0.1 || samples[1].I != 0.1e-3 {
			t.Errorf("samples %+v", samples)
		}
		_, err = r.Read(ctx, both, 10*time.Millisecond, nil)
		r.must(err)
		expect("READ? (@2,1)")

		r.must(r.Close(ctx, []bench.PathID{3, 12})) // 1!3 and 2!4
		expect("ROUT:CLOS (@1!3,2!4)")
		r.must(r.Close(ctx, []bench.PathID{12, 1}))
		expect("ROUT:OPEN (@1!3)", "ROUT:CLOS (@1!1)")
		r.must(r.Close(ctx, []bench.PathID{1, 12}))
		expect()
		r.must(r.Close(ctx, nil))
		expect("ROUT:OPEN (@1!1,2!4)")
		r.must(r.Output(ctx, 1, false))
		expect("OUTP1 OFF")
		r.must(r.MakeSafe(ctx))
		expect("ABOR;*RST", "OUTP1?", "OUTP2?", "ROUT:CLOS:STAT?")
	})
}

// TestGreeting: a card is asked who it is, confirms that it is safe, and is
// reset before it is ready.
func TestGreeting(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		f.outs[1].on, f.outs[1].limit = true, 1
		f.closed = []string{"1!1"}
		f.queue = []string{`-113,"Undefined header"`}
		r := &rig{t: t, cards: []*fakeCard{f}}
		r.open(fakeBench(1))
		r.must(r.Settled(t.Context()))
		want := []string{"*IDN?", "ABOR;*RST", "OUTP1?", "OUTP2?", "ROUT:CLOS:STAT?", "*RST", "*CLS"}
		if diff := cmp.Diff(want, f.since(0)); diff != "" {
			t.Errorf("(-want +sent)\n%s", diff)
		}
		if h := r.Health()[0]; h.Condition != cardinfo.Ready || h.Model != "Card" || h.Serial != "A1" || h.Version != "1.0" || h.Tries != 0 {
			t.Errorf("health %+v", h)
		}
		synctest.Wait()
		if lost, ready := r.told(); len(lost) != 0 || ready != 1 {
			t.Errorf("lost %v, ready %d times", lost, ready)
		}
		r.fails(r.Set(t.Context(), 1, volts(0)), ErrStale, "Make the bench safe")
		id, err := r.Identify(t.Context())
		r.must(err)
		if want := (bench.Identity{Name: "Maker Card", Serial: "A1", Version: "1.0"}); id != want {
			t.Errorf("identity %+v", id)
		}
	})
}

// TestRefusals: what makes no sense is not sent.
func TestRefusals(t *testing.T) {
	alone(t, func(t *testing.T) {
		f := newFake()
		r := newRig(t, f)
		ctx := t.Context()
		n := len(f.messages())
		for _, bad := range []bench.Setup{
			{Mode: "heat", Compliance: 1},
			{Mode: bench.ForceVoltage, Level: 11, Compliance: 1e-3},
			{Mode: bench.ForceVoltage, Level: 1},
			{Mode: bench.ForceVoltage, Level: 3, Range: 2, Compliance: 1e-3},
		} {
			if err := r.Set(ctx, 1, bad); err == nil {
				t.Errorf("%+v was set", bad)
			}
		}
		remote := volts(0)
		remote.Remote = true
		if err := r.Set(ctx, 2, remote); err == nil {
			t.Error("remote sense without terminals was set")
		}
		for _, bad := range [][]bench.PathID{{99}, {1, 1}, {1, 2}} {
			if err := r.Close(ctx, bad); err == nil {
				t.Errorf("paths %v were closed", bad)
			}
		}
		if _, err := r.Read(ctx, []bench.ChannelID{1}, 0, nil); err == nil {
			t.Error("no aperture was read over")
		}
		if _, err := r.Read(ctx, []bench.ChannelID{9}, aperture, nil); err == nil {
			t.Error("channel 9 was read")
		}
		if sent := f.since(n); len(sent) > 0 {
			t.Errorf("sent %v", sent)
		}
		if err := r.Output(ctx, 1, true); err == nil {
			t.Error("an output without a setting was switched on")
		}
	})
}

// TestSeveralCards: two connections are used together.
func TestSeveralCards(t *testing.T) {
	alone(t, func(t *testing.T) {
		a, b := newFake(), newFake()
		b.serial = "B2"
		r := newRig(t, a, b)
		ctx := t.Context()
		for _, ch := range []bench.ChannelID{1, 3, 4} {
			r.must(r.Set(ctx, ch, volts(0)))
			r.must(r.Output(ctx, ch, true))
			r.must(r.Set(ctx, ch, volts(0.25*float64(ch))))
		}
		began := time.Now()
		s, err := r.Read(ctx, []bench.ChannelID{4, 1, 3}, 100*time.Millisecond, nil)
		r.must(err)
		if took := time.Since(began); took > 190*time.Millisecond {
			t.Errorf("two cards took %v to integrate over 100 ms: not together", took)
		}
		if s[0].V != 1 || s[1].V != 0.25 || s[2].V != 0.75 || s[0].Channel != 4 {
			t.Errorf("samples %+v", s)
		}
		// Break before make: card 2 closes only when card 1 has opened.
		r.must(r.Close(ctx, []bench.PathID{1}))
		slow := make(chan time.Time, 1)
		a.twist(twist{on: "ROUT:OPEN", do: func(*fakeCard, string) (string, bool) {
			<-time.After(50 * time.Millisecond)
			slow <- time.Now()
			return "", false
		}})
		var closedAt time.Time
		b.twist(twist{on: "ROUT:CLOS", do: first(func(*fakeCard) { closedAt = time.Now() })})
		r.must(r.Close(ctx, []bench.PathID{17}))
		if opened := <-slow; closedAt.Before(opened) {
			t.Errorf("closed at %v, opened at %v", closedAt, opened)
		}
		id, err := r.Identify(ctx)
		r.must(err)
		if want := (bench.Identity{Name: "Maker Card", Serial: "A1 + B2", Version: "1.0"}); id != want {
			t.Errorf("identity %+v", id)
		}
		r.must(r.MakeSafe(ctx))
		if !a.safe() || !b.safe() {
			t.Error("not safe")
		}
	})
}

// TestLongLists: a message stays below what a card must take, and timeouts
// count the time of every one.
func TestLongLists(t *testing.T) {
	alone(t, func(t *testing.T) {
		def := fakeBench(1)
		def.Contacts = 48
		def.Paths = nil
		for i := 1; i <= 400; i++ {
			def.Paths = append(def.Paths, bench.Path{ID: bench.PathID(i), Contact: 1, Address: "0!" + string(rune('0'+i/100)) + string(rune('0'+i/10%10)) + string(rune('0'+i%10))})
		}
		f := newFake()
		r := newRigOf(t, def, f)
		var all []bench.PathID
		for i := 1; i <= 400; i++ {
			all = append(all, bench.PathID(i))
		}
		n := len(f.messages())
		r.must(r.Close(t.Context(), all))
		sent := f.since(n)
		if len(sent) != 3 || slices.ContainsFunc(sent, func(m string) bool { return len(m) > 1023 }) {
			t.Errorf("%d messages: %q", len(sent), sent)
		}
		if len(f.closed) != 400 {
			t.Errorf("%d paths closed", len(f.closed))
		}
	})
}

package card

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/scpi"
)

// TestAnotherDialect: a card that wants its settings in messages of their own,
// reads one channel at a time, and says less in its readings.
func TestAnotherDialect(t *testing.T) {
	alone(t, func(t *testing.T) {
		def := fakeBench(1)
		def.Connections[0].Commands = bench.Commands{
			ForceVoltage: "SOUR{channel}:FUNC:MODE VOLT\nSOUR{channel}:VOLT:RANG {range}\nSOUR{channel}:VOLT {level}\nSENS{channel}:CURR:PROT {compliance}",
			ForceCurrent: bench.None, LevelCurrent: bench.None,
			LocalSense: bench.None, RemoteSense: "SOUR{channel}:VOLT:ALC:SOUR EXT",
			Aperture: bench.None, Read: "READ? (@{channel})", Fields: "v,i,skip,skip",
		}
		f := newFake()
		r := newRigOf(t, def, f)
		ctx := t.Context()
		n := len(f.messages())
		s := volts(0)
		s.Remote = true
		r.must(r.Set(ctx, 1, s))
		want := []string{"SOUR1:VOLT:ALC:SOUR EXT", "SOUR1:FUNC:MODE VOLT", "SOUR1:VOLT:RANG 2.0E+0", "SOUR1:VOLT 0.0E+0", "SENS1:CURR:PROT 1.0E-3"}
		if diff := cmp.Diff(want, f.since(n)); diff != "" {
			t.Error(diff)
		}
		r.must(r.Set(ctx, 2, volts(0.5)))
		r.must(r.Output(ctx, 1, true))
		r.must(r.Output(ctx, 2, true))
		n = len(f.messages())
		got, err := r.Read(ctx, []bench.ChannelID{1, 2}, aperture, nil)
		r.must(err)
		if diff := cmp.Diff([]string{"READ? (@1)", "READ? (@2)"}, f.since(n)); diff != "" {
			t.Error(diff)
		}
		if got[0].V != 0 || got[1].V != 0.5 {
			t.Errorf("%+v", got)
		}
		if err := r.Set(ctx, 1, bench.Setup{Mode: bench.ForceCurrent, Level: 1e-3, Compliance: 1}); err == nil || !strings.Contains(err.Error(), "no command to force a current") {
			t.Errorf("error %v", err)
		}
	})
}

// TestDefinitionsThatCannotBe: what a bench's definition must not say.
func TestDefinitionsThatCannotBe(t *testing.T) {
	for name, spoil := range map[string]func(d *bench.Definition){
		"no connection":       func(d *bench.Definition) { d.Connections = nil },
		"the same number":     func(d *bench.Definition) { d.Channels[1].Number = 1 },
		"no address":          func(d *bench.Definition) { d.Paths[0].Address = "somewhere" },
		"two items":           func(d *bench.Definition) { d.Paths[0].Address = "1!1,1!2" },
		"the same address":    func(d *bench.Definition) { d.Paths[1].Address = d.Paths[0].Address },
		"not a valid bench":   func(d *bench.Definition) { d.LineHz = 55 },
		"address of no place": func(d *bench.Definition) { d.Connections[0].Address = "card.example" },
	} {
		d := fakeBench(1)
		spoil(&d)
		if l, err := Open(Config{Definition: d}); err == nil {
			_ = l.Disconnect()
			t.Errorf("%s: opened", name)
		}
	}
}

// TestLevels: a level comes back within 1e-6 of itself or one step of the
// range, whichever is more.
func TestLevels(t *testing.T) {
	def := fakeBench(1)
	c := channel{def: &def.Channels[0], number: 1}
	c.forget()
	set := bench.Setup{Mode: bench.ForceVoltage, Level: 1, Range: 2, Compliance: 1e-3}
	want, err := resolve(c.def, set)
	if err != nil {
		t.Fatal(err)
	}
	c.take(want, set)
	step := c.force.Step
	for level, right := range map[float64]bool{1: true, 1 + 0.99*step: true, 1 - 0.99*step: true, 1 + 1.1*step: false, 0: false, -1: false} {
		if err := (&taken{hasLevel: true, level: level}).asSet(&c); (err == nil) != right {
			t.Errorf("level %g: %v", level, err)
		}
	}
	c.force.Step = 0
	for level, right := range map[float64]bool{1 + 0.9e-6: true, 1 + 1.1e-6: false} {
		if err := (&taken{hasLevel: true, level: level}).asSet(&c); (err == nil) != right {
			t.Errorf("level %g without a step: %v", level, err)
		}
	}
}

// FuzzAnswer: whatever comes as a reading is refused, or is a finite value
// within reach of its range for every channel that was asked for.
func FuzzAnswer(f *testing.F) {
	for _, seed := range []string{
		"0.5,1E-3,4,0.5", "9.91E37,0,4,0.5", "9.9E37,-9.9E37,7,1", "1,2,3", "", ",,,", "1;2;3;4", "#H1F,0,0,0", "1E999,0,0,0", "nan,inf,0,0",
		"0.5,1E-3,4,0.5,0.1,1E-4,4,0.5", "1,1,1e0,1", `"1",1,1,1`, "(1,1),1,1,1",
	} {
		f.Add(seed, uint8(1))
		f.Add(seed, uint8(2))
	}
	def := fakeBench(1)
	d := newDialect(bench.Commands{}, 50)
	f.Fuzz(func(t *testing.T, answer string, n uint8) {
		var from []*channel
		for i := range 1 + int(n%2) {
			c := &channel{def: &def.Channels[i], number: i + 1}
			c.forget()
			from = append(from, c)
		}
		_, got, err := d.parse(answer, from, nil, nil)
		if err != nil {
			return
		}
		if len(got) != len(from) || strings.Count(answer, ",")+strings.Count(answer, ";") != 4*len(from)-1 {
			t.Fatalf("%q: %d readings of %d", answer, len(got), len(from))
		}
		for i, one := range got {
			s, c := one.sample, from[i]
			if s.Channel != c.def.ID || !(math.Abs(s.V) <= believable*c.senseV.FullScale) || !(math.Abs(s.I) <= believable*c.senseI.FullScale) ||
				!finite(one.level) || one.status < 0 || one.status > statusBits {
				t.Fatalf("%q: %+v", answer, one)
			}
		}
	})
}

// FuzzLevel: a level that is sent is the level that was asked for, to the last
// bit.
func FuzzLevel(f *testing.F) {
	f.Add(0.1)
	f.Add(-1e-9)
	f.Add(math.Copysign(0, -1))
	def := fakeBench(1)
	d := newDialect(bench.Commands{}, 50)
	f.Fuzz(func(t *testing.T, level float64) {
		s := bench.Setup{Mode: bench.ForceVoltage, Level: level, Compliance: 1e-3}
		c := channel{def: &def.Channels[0], number: 1}
		c.forget()
		want, err := resolve(c.def, s)
		if err != nil {
			return
		}
		message, err := d.set(&c, want)
		if err != nil {
			t.Fatal(err)
		}
		for unit := range strings.SplitSeq(message, ";") {
			text, found := strings.CutPrefix(unit, ":SOUR1:VOLT ")
			if !found {
				continue
			}
			if back, err := scpi.ParseNumber(text); err != nil || back != level || math.Signbit(back) && back == 0 {
				t.Fatalf("%g became %s, which is %g (%v)", level, text, back, err)
			}
			return
		}
		t.Fatalf("no level in %q", message)
	})
}

// TestApertures: in seconds, and in power-line cycles where a card wants them.
func TestApertures(t *testing.T) {
	d := newDialect(bench.Commands{Aperture: "SENS{channel}:CURR:NPLC {cycles}"}, 60)
	got, err := d.apertures([]int{1, 2}, 50*time.Millisecond)
	if want := "SENS1:CURR:NPLC 3.0E+0\nSENS2:CURR:NPLC 3.0E+0"; err != nil || got != want {
		t.Errorf("%q, %v", got, err)
	}
	d = newDialect(bench.Commands{Aperture: "APER {aperture}"}, 60)
	if got, err := d.apertures([]int{1, 2}, 50*time.Millisecond); err != nil || got != "APER 5.0E-2" {
		t.Errorf("%q, %v", got, err)
	}
}

// TestOneApertureForAll: where a card has one aperture for all its channels,
// what is set for one is known of no other.
func TestOneApertureForAll(t *testing.T) {
	alone(t, func(t *testing.T) {
		def := fakeBench(1)
		def.Connections[0].Commands.Aperture = "SENS1:CURR:APER {aperture}"
		f := newFake()
		r := newRigOf(t, def, f)
		n := len(f.messages())
		for _, c := range []struct {
			channel  bench.ChannelID
			aperture time.Duration
		}{{1, time.Millisecond}, {2, 100 * time.Millisecond}, {2, 100 * time.Millisecond}, {1, time.Millisecond}} {
			_, err := r.Read(t.Context(), []bench.ChannelID{c.channel}, c.aperture, nil)
			r.must(err)
		}
		want := []string{"SENS1:CURR:APER 1.0E-3", "READ? (@1)", "SENS1:CURR:APER 1.0E-1", "READ? (@2)", "READ? (@2)", "SENS1:CURR:APER 1.0E-3", "READ? (@1)"}
		if diff := cmp.Diff(want, f.since(n)); diff != "" {
			t.Error(diff)
		}
	})
}

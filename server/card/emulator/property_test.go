package emulator

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"maps"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/scpi"
	"ohmkeep/server/rehearsal"
)

// unit is one unit of a message, and what it does to what a card can be asked,
// written down from the protocol's reference and not from the card.
type unit struct {
	text string
	// answers are what changes: question → answer.
	answers map[string]string
}

// pick is a random unit for a card of the default bench: ±2 V and ±10 V, 1 µA
// to 100 mA in decades, remote sense on channels 1 and 3.
func pick(t *rapid.T, n int) unit {
	number := func(v float64) string { return scpi.FormatNR3(v) }
	rangeOf := func(v float64, scales ...float64) float64 {
		i := slices.IndexFunc(scales, func(s float64) bool { return v <= s })
		return scales[i]
	}
	amps := []float64{1e-6, 10e-6, 100e-6, 1e-3, 10e-3, 100e-3}
	volts := []float64{2, 10}
	one := func(text, question, answer string) unit { return unit{text, map[string]string{question: answer}} }
	of := func(format string) string { return fmt.Sprintf(format, n) }
	switch rapid.IntRange(0, 14).Draw(t, "which") {
	case 0:
		mode := rapid.SampledFrom([]string{"VOLT", "CURR"}).Draw(t, "mode")
		return one(of("SOUR%d:FUNC:MODE ")+mode, of("SOUR%d:FUNC:MODE?"), mode)
	case 1:
		v := rapid.Float64Range(-10, 10).Draw(t, "volts")
		return one(of("SOUR%d:VOLT ")+number(v), of("SOUR%d:VOLT?"), number(v))
	case 2:
		v := rapid.Float64Range(-0.1, 0.1).Draw(t, "amps")
		return one(of("SOUR%d:CURR ")+number(v), of("SOUR%d:CURR?"), number(v))
	case 3:
		v := rapid.Float64Range(0, 10).Draw(t, "range")
		return one(of("SOUR%d:VOLT:RANG ")+number(v), of("SOUR%d:VOLT:RANG?"), number(rangeOf(v, volts...)))
	case 4:
		v := rapid.Float64Range(0, 0.1).Draw(t, "range")
		return one(of("SOUR%d:CURR:RANG ")+number(v), of("SOUR%d:CURR:RANG?"), number(rangeOf(v, amps...)))
	case 5:
		v := rapid.Float64Range(0, 10).Draw(t, "range")
		return one(of("SENS%d:VOLT:RANG ")+number(v), of("SENS%d:VOLT:RANG?"), number(rangeOf(v, volts...)))
	case 6:
		v := rapid.Float64Range(0, 0.1).Draw(t, "range")
		return one(of("SENS%d:CURR:RANG ")+number(v), of("SENS%d:CURR:RANG?"), number(rangeOf(v, amps...)))
	case 7:
		v := rapid.Float64Range(1e-3, 10).Draw(t, "limit")
		return one(of("SENS%d:VOLT:PROT ")+number(v), of("SENS%d:VOLT:PROT?"), number(v))
	case 8:
		v := rapid.Float64Range(1e-9, 0.1).Draw(t, "limit")
		return one(of("SENS%d:CURR:PROT ")+number(v), of("SENS%d:CURR:PROT?"), number(v))
	case 9:
		v := rapid.Float64Range(10e-6, 1e-3).Draw(t, "aperture")
		which := rapid.SampledFrom([]string{"VOLT", "CURR"}).Draw(t, "of")
		return unit{fmt.Sprintf("SENS%d:%s:APER %s", n, which, number(v)),
			map[string]string{of("SENS%d:VOLT:APER?"): number(v), of("SENS%d:CURR:APER?"): number(v)}}
	case 10:
		count := rapid.IntRange(1, 1000).Draw(t, "count")
		return one(of("SENS%d:AVER:COUN ")+fmt.Sprint(count), of("SENS%d:AVER:COUN?"), fmt.Sprint(count))
	case 11:
		on := rapid.IntRange(0, 1).Draw(t, "on")
		return one(of("SENS%d:AVER ")+fmt.Sprint(on), of("SENS%d:AVER?"), fmt.Sprint(on))
	case 12:
		on := rapid.IntRange(0, 1).Draw(t, "on")
		return one(of("OUTP%d ")+fmt.Sprint(on), of("OUTP%d?"), fmt.Sprint(on))
	case 13:
		source := rapid.SampledFrom([]string{"INT", "EXT"}).Draw(t, "sense")
		return one(of("SOUR%d:VOLT:ALC:SOUR ")+source, of("SOUR%d:VOLT:ALC:SOUR?"), source)
	}
	path := fmt.Sprintf("(@%d!%d)", rapid.IntRange(0, 4).Draw(t, "line"), rapid.IntRange(1, 48).Draw(t, "contact"))
	if rapid.Bool().Draw(t, "close") {
		return one("ROUT:CLOS "+path, "ROUT:CLOS? "+path, "1")
	}
	return one("ROUT:OPEN "+path, "ROUT:CLOS? "+path, "0")
}

// defaultAnswers are those after *RST, by the protocol's reference.
func defaultAnswers() map[string]string {
	out := map[string]string{}
	for n := 1; n <= 4; n++ {
		for question, answer := range map[string]string{
			"SOUR%d:FUNC:MODE?": "VOLT", "SOUR%d:VOLT?": "0.0E+0", "SOUR%d:CURR?": "0.0E+0",
			"SOUR%d:VOLT:RANG?": "1.0E+1", "SOUR%d:CURR:RANG?": "1.0E-1", "SENS%d:VOLT:RANG?": "1.0E+1", "SENS%d:CURR:RANG?": "1.0E-1",
			"SENS%d:VOLT:PROT?": "0.0E+0", "SENS%d:CURR:PROT?": "0.0E+0", "SENS%d:VOLT:APER?": "2.0E-2", "SENS%d:CURR:APER?": "2.0E-2",
			"SENS%d:AVER:COUN?": "1", "SENS%d:AVER?": "0", "OUTP%d?": "0", "SOUR%d:VOLT:ALC:SOUR?": "INT", "SOUR%d:CURR:PROT:TRIP?": "0",
		} {
			out[fmt.Sprintf(question, n)] = answer
		}
	}
	return out
}

// Whatever valid settings come, one by one or grouped into messages in any way,
// the card says what was set last, and the link is in the same state.
func TestAnyGroupingIsTheSame(t *testing.T) {
	if testing.Short() {
		_ = flag.Set("rapid.checks", "20")
	}
	rapid.Check(t, func(t *rapid.T) {
		single, grouped := newFakeLink(rehearsal.DefaultBench()), newFakeLink(rehearsal.DefaultBench())
		a, b := mute(t, single), mute(t, grouped)
		want := defaultAnswers()
		var accepted []string
		for range rapid.IntRange(1, 40).Draw(t, "units") {
			u := pick(t, rapid.IntRange(1, 4).Draw(t, "channel"))
			if a(u.text); a("SYST:ERR?") != noError {
				continue
			}
			accepted = append(accepted, u.text)
			maps.Copy(want, u.answers)
		}
		for rest := accepted; len(rest) > 0; {
			n := rapid.IntRange(1, min(len(rest), 12)).Draw(t, "group")
			b(strings.Join(rest[:n], ";:"))
			if e := b("SYST:ERR?"); e != noError {
				t.Fatalf("%s: %s", strings.Join(rest[:n], ";:"), e)
			}
			rest = rest[n:]
		}
		for question, answer := range want {
			if x, y := a(question), b(question); x != answer || y != answer {
				t.Errorf("%s: %q one by one, %q grouped, not %q", question, x, y, answer)
			}
		}
		setA, onA, closedA := single.state()
		setB, onB, closedB := grouped.state()
		// What is off may have been told of on the way, or not.
		off := func(on map[bench.ChannelID]bool) func(bench.ChannelID, bench.Setup) bool {
			return func(n bench.ChannelID, _ bench.Setup) bool { return !on[n] }
		}
		maps.DeleteFunc(setA, off(onA))
		maps.DeleteFunc(setB, off(onB))
		if diff := cmp.Diff([]any{setA, onA, closedA}, []any{setB, onB, closedB}); diff != "" {
			t.Errorf("the links differ (-one by one +grouped):\n%s", diff)
		}
		for n := range onA { // what is on is on as it was set
			ch := fmt.Sprint(n)
			level := want["SOUR"+ch+":VOLT?"]
			if want["SOUR"+ch+":FUNC:MODE?"] == "CURR" {
				level = want["SOUR"+ch+":CURR?"]
			}
			if got := scpi.FormatNR3(setA[n].Level); got != level {
				t.Errorf("channel %d is on at %s, not %s", n, got, level)
			}
		}
		if broken := append(single.brokenRules(), grouped.brokenRules()...); len(broken) > 0 {
			t.Error(broken)
		}
	})
}

// mute is a card without a stream: a message in, its answer out.
func mute(t *rapid.T, link *fakeLink) func(string) string {
	c, err := New(Config{Link: link, Definition: link.def})
	if err != nil {
		t.Fatal(err)
	}
	h := newHost(c, nil)
	return func(text string) string { return string(c.execute(context.Background(), h, message{text: text})) }
}

// trouble is what a host in trouble may send.
func trouble(r *rand.Rand) string {
	words := []string{upAndOn, "*RST", "OUTP1 ON", "OUTP2 ON", "SOUR1:VOLT 3", "READ? (@1,2)", "READ?", "ABOR", "ABOR;*RST", "ROUT:CLOS (@2!3,0!1)",
		"ROUT:OPEN:ALL", "FOO", "\x00\xff", "SENS2:VOLT:PROT 1;:SENS2:CURR:PROT 1E-3", "SOUR2:FUNC:MODE CURR", "*ESR?", "SYST:ERR?",
		"SENS1:CURR:APER 0.5", "SOUR1:CURR:PROT:CLE", "STAT:QUES?", strings.Repeat("*OPC?;", 100)}
	var b strings.Builder
	for range 1 + r.IntN(4) {
		b.WriteString(words[r.IntN(len(words))])
		b.WriteString([]string{"\n", "\n", "\n", ";:", "\r\n", "", ";"}[r.IntN(7)])
	}
	return b.String()
}

// More: go test ./server/card/emulator -run SafeAfterAnything -troubles 10000
var troubles = flag.Uint64("troubles", 150, "how many hosts in trouble are served")

// After anything at all that a host sends and that is ordered to go wrong, its
// silence, its going and the end of the context leave the link safe.
func TestSafeAfterAnything(t *testing.T) {
	seeds := *troubles
	if testing.Short() {
		seeds = min(seeds, 30)
	}
	all := Kinds()
	for seed := range seeds {
		r := rand.New(rand.NewPCG(seed, 3))
		orders := NewOrders(seed)
		for _, d := range all {
			orders.Add(Order{Kind: d.Kind, Chance: 0.01})
		}
		synctest.Test(t, func(t *testing.T) {
			link := newFakeLink(rehearsal.DefaultBench())
			link.clock = bench.RealClock{}
			c := newCard(t, Config{Link: link, Watchdog: 2 * time.Second, Orders: orders})
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			k, end := talkUntil(t, ctx, c)
			go func() { _, _ = k.lines.WriteTo(discard{}) }()
			for range 30 {
				if _, err := k.stream.Write([]byte(trouble(r))); err != nil {
					break // cut
				}
				time.Sleep(time.Duration(r.IntN(3e8)))
			}
			ending := r.IntN(3)
			switch ending {
			case 0: // silence: what waits is carried out, then the watchdog comes
				time.Sleep(10 * time.Minute)
			case 1:
				_ = k.stream.Close()
				time.Sleep(10 * time.Minute)
			case 2:
				cancel()
			}
			synctest.Wait()
			if !link.safe() || c.State() != bench.Safe {
				t.Errorf("seed %d: not safe after ending %d; injected %+v", seed, ending, orders.Injected())
			}
			cancel()
			if err := end(); err != nil && !errors.Is(err, ErrCut) && !errors.Is(err, net.ErrClosed) {
				t.Errorf("seed %d: %v", seed, err)
			}
			if b := link.brokenRules(); len(b) > 0 {
				t.Errorf("seed %d: %v", seed, b)
			}
		})
	}
}

type discard struct{}

func (discard) Write(b []byte) (int, error) { return len(b), nil }

// Whatever bytes come, the card neither breaks nor breaks the link's rules, and
// is safe in the end.
func FuzzHost(f *testing.F) {
	f.Add([]byte(upAndOn + "\nREAD?\nABOR;*RST\n"))
	f.Add([]byte("*IDN?;SYST:ERR?\r\n\n;;\nSOUR1:VOLT MAX;:OUTP ON\n\x00\xff\n"))
	f.Add([]byte("SENS2:VOLT:PROT 1;:SOUR2:FUNC:MODE CURR;CURR #H1;:OUTP2 1\nREAD? (@2,1:4)\nFETC?\nSTAT:QUES?\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		link := newFakeLink(rehearsal.DefaultBench())
		c := newCard(t, Config{Link: link})
		h := newHost(c, nil)
		for len(b) > 0 { // in pieces, as they may come
			n := min(len(b), 1+int(b[0])%200)
			h.take(b[:n])
			b = b[n:]
			for len(h.waiting) > 0 {
				m, _ := h.next(t.Context())
				answer := c.execute(t.Context(), h, m)
				if strings.ContainsFunc(string(answer), notText) {
					t.Errorf("%q is answered with %q", m.text, answer)
				}
			}
		}
		if err := c.reset(); err != nil || !link.safe() {
			t.Error("not safe", err)
		}
		if broken := link.brokenRules(); len(broken) > 0 {
			t.Error(broken)
		}
	})
}

func TestDescribe(t *testing.T) {
	def := rehearsal.DefaultBench()
	was := def.Paths[0].Address
	d := Describe(def, "tcp://127.0.0.1:5025")
	if err := d.Validate(); err != nil {
		t.Fatal(err)
	}
	if d.Key == def.Key || d.Name == def.Name || def.Paths[0].Address != was || def.Connections != nil {
		t.Error("not a bench of its own")
	}
	if a, b := d.Paths[0].Address, d.Paths[len(d.Paths)-1].Address; a != "1!1" || b != "0!48" {
		t.Errorf("paths %s to %s", a, b)
	}
	want := []bench.Connection{{Name: "card", Cards: []int{1, 2}, Address: "tcp://127.0.0.1:5025", Timeout: 1, Watchdog: 2}}
	if diff := cmp.Diff(want, d.Connections); diff != "" {
		t.Error(diff)
	}
	long := def
	long.Key = strings.Repeat("k", 64)
	if d = Describe(long, "tcp://127.0.0.1:5025"); d.Validate() != nil {
		t.Error(d.Validate())
	}
}

func TestNewRefuses(t *testing.T) {
	def := rehearsal.DefaultBench()
	twice := def
	twice.Paths = append(slices.Clone(def.Paths), def.Paths[0])
	twice.Paths[len(def.Paths)].ID = 9999
	same := def
	same.Channels = slices.Clone(def.Channels)
	same.Channels[1].Number = 1
	for name, cfg := range map[string]Config{
		"no link":          {Definition: def},
		"no bench":         {Link: newFakeLink(def)},
		"a counting clock": {Link: newFakeLink(def), Definition: def, Clock: bench.NewCountingClock(start)},
		"two paths as one": {Link: newFakeLink(def), Definition: twice},
		"channels as one":  {Link: newFakeLink(def), Definition: same},
		"a long serial":    {Link: newFakeLink(def), Definition: def, Serial: strings.Repeat("9", 72)},
	} {
		if _, err := New(cfg); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
	c, err := New(Config{Link: newFakeLink(def), Definition: def, Serial: "a,b;c \x01é"})
	if err != nil || c.identity != "Ohmkeep,Rehearsal card,a-b-c---,1" {
		t.Errorf("%v, %v", c.identity, err)
	}
}

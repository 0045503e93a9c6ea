package emulator

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal"
)

// inBubble runs a test on a clock of its own with a card that serves a fake
// link whose readings take their time, and a host.
func inBubble(t *testing.T, cfg Config, f func(t *testing.T, c *Card, link *fakeLink, k *talker)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		link := newFakeLink(rehearsal.DefaultBench())
		link.clock = bench.RealClock{}
		cfg.Link, cfg.Definition = link, link.def
		c, err := New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		k, end := talkUntil(t, ctx, c)
		f(t, c, link, k)
		cancel()
		if err := end(); err != nil && !errors.Is(err, ErrCut) {
			t.Errorf("serving ended with %v", err)
		}
		if !link.safe() {
			t.Error("not safe at the end")
		}
		if b := link.brokenRules(); len(b) > 0 {
			t.Error(b)
		}
	})
}

const upAndOn = "ROUT:CLOS (@1!1);:SENS1:CURR:PROT 1E-3;:SOUR1:VOLT 2;:OUTP1 ON"

func TestWatchdog(t *testing.T) {
	inBubble(t, Config{}, func(t *testing.T, c *Card, link *fakeLink, k *talker) {
		k.wants("*ESR?", "128")
		// With nothing on or closed a host may be silent.
		time.Sleep(time.Minute)
		k.does(upAndOn)
		for range 10 {
			time.Sleep(1999 * time.Millisecond)
			k.wants("*ESR?", "0")
		}
		// A mistake counts, and so does an empty line.
		time.Sleep(1999 * time.Millisecond)
		k.tell("#")
		time.Sleep(1999 * time.Millisecond)
		k.tell("")
		time.Sleep(1999 * time.Millisecond)
		synctest.Wait()
		if link.safe() {
			t.Fatal("made safe before its time")
		}
		time.Sleep(2 * time.Millisecond)
		synctest.Wait()
		if !link.safe() || c.State() != bench.Safe {
			t.Fatal("not made safe in time")
		}
		k.wants("SYST:ERR?;ERR?", `-102,"Syntax error";-365,"Time out error;watchdog"`)
		k.wants("*ESR?", "40")
		k.wants("OUTP1?;:ROUT:CLOS:STAT?;:SOUR1:VOLT?;CURR:PROT:TRIP?;:SOUR2:CURR:PROT:TRIP?", "0;(@);0.0E+0;1;0")
		k.wants("SENS1:CURR:PROT?", "1.0E-3") // settings stay
		k.refuses("OUTP1 ON", conflict)
		k.does("SOUR1:CURR:PROT:CLE;:OUTP1 ON")
		k.does("*RST")
		// A path alone is enough.
		k.does("ROUT:CLOS (@0!1)")
		time.Sleep(2001 * time.Millisecond)
		k.wants("ROUT:CLOS:STAT?", "(@)")
	})
}

// The time of a command does not count, however long it takes.
func TestWatchdogWaitsForAReading(t *testing.T) {
	inBubble(t, Config{}, func(t *testing.T, _ *Card, link *fakeLink, k *talker) {
		k.does(upAndOn + ";:SENS1:CURR:APER 10")
		began := time.Now()
		k.ask("READ?")
		if took := time.Since(began); took != 10*time.Second {
			t.Errorf("a reading of 10 s took %v", took)
		}
		time.Sleep(1999 * time.Millisecond)
		k.wants("OUTP1?", "1")
	})
}

// When the host's connection ends, the watchdog does what is left to do.
func TestWatchdogAfterTheHost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		link := newFakeLink(rehearsal.DefaultBench())
		c := newCard(t, Config{Link: link, Watchdog: 2 * time.Second})
		k, end := talkUntil(t, t.Context(), c)
		k.does(upAndOn)
		_ = k.stream.Close()
		time.Sleep(1500 * time.Millisecond)
		synctest.Wait()
		if link.safe() {
			t.Fatal("made safe before its time")
		}
		// The next host finds things as they are, and keeps them up.
		other, endOther := talkUntil(t, t.Context(), c)
		for range 10 {
			time.Sleep(400 * time.Millisecond)
			other.wants("OUTP1?;:ROUT:CLOS:STAT?", "1;(@1!1)")
		}
		_ = other.stream.Close()
		began := time.Now()
		if err := endOther(); err != nil {
			t.Error(err)
		}
		if took := time.Since(began); took != 2*time.Second {
			t.Errorf("safe %v after the host, not 2 s", took)
		}
		if err := end(); err != nil {
			t.Error(err)
		}
		if !link.safe() {
			t.Error("not safe")
		}
	})
}

// The watchdog tries again where the link fails.
func TestWatchdogTriesAgain(t *testing.T) {
	inBubble(t, Config{}, func(t *testing.T, c *Card, link *fakeLink, k *talker) {
		k.does(upAndOn)
		link.mu.Lock()
		link.fail = func(call string) error {
			if call == "make safe" {
				return errors.New("stuck")
			}
			return nil
		}
		link.mu.Unlock()
		time.Sleep(2500 * time.Millisecond)
		synctest.Wait()
		if c.State() != bench.Energised {
			t.Error("a card that could not be made safe says that it is")
		}
		link.mu.Lock()
		link.fail = nil
		link.mu.Unlock()
		time.Sleep(2 * time.Second)
		synctest.Wait()
		if !link.safe() || c.State() != bench.Safe {
			t.Error("not made safe at the second attempt")
		}
		k.wants("SYST:ERR?;ERR?;ERR?", `-365,"Time out error;watchdog";-240,"Hardware error;not made safe: stuck";-365,"Time out error;watchdog"`)
	})
}

func TestAbortInAReading(t *testing.T) {
	inBubble(t, Config{}, func(t *testing.T, _ *Card, link *fakeLink, k *talker) {
		k.wants("*ESR?", "128")
		k.does(upAndOn + ";:SENS1:CURR:APER 10")
		began := time.Now()
		k.tell("*ESE 1;:READ?;*ESE 2") // cut short: nothing after it, no answer
		k.tell("*ESE 3")               // waits, and is dropped
		k.tell("READ?")
		time.Sleep(time.Second)
		k.wants("ABOR;*ESE?;:OUTP1?;*ESR?", "1;1;0")
		if took := time.Since(began); took != time.Second {
			t.Errorf("acted on after %v", took)
		}
		if link.safe() {
			t.Error("ABORt alone touches outputs")
		}
		// ABORt stands in for a reading that has not begun when it comes.
		k.tell("READ?")
		k.tell("ABOR;*RST")
		k.wants("OUTP1?;:ROUT:CLOS:STAT?;:SYST:ERR?", "0;(@);"+noError)
		// *RST ends a reading as well, but drops nothing.
		k.does(upAndOn + ";:SENS1:CURR:APER 10")
		began = time.Now()
		k.tell("READ?")
		k.tell("*ESE 9")
		k.tell("*RST")
		k.wants("OUTP1?;*ESE?", "0;9")
		if took := time.Since(began); took != 0 {
			t.Errorf("*RST was acted on after %v", took)
		}
		// What else comes waits its turn.
		k.does(upAndOn + ";:SENS1:CURR:APER 10")
		k.tell("READ?")
		k.tell("*ESE 4")
		k.wants("*ESE?", "2.0E+0,-0.0E+0,4,2.0E+0")
		if got := k.line(); got != "4" {
			t.Errorf("then %q", got)
		}
	})
}

// The end of the context makes safe at once, also in a reading.
func TestStopInAReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := rehearsedOn(t, bench.RealClock{})
		c := newCard(t, Config{Link: b})
		ctx, cancel := context.WithCancel(t.Context())
		k, end := talkUntil(t, ctx, c)
		k.does(upAndOn + ";:SENS1:CURR:APER 10")
		k.tell("READ?")
		time.Sleep(time.Second)
		cancel()
		if err := end(); err != nil {
			t.Error(err)
		}
		if c.State() != bench.Safe {
			t.Error("not safe")
		}
		synctest.Wait() // another making safe may still be on its way
		// A whole line cycle, which has none of the hum that 1 ms has.
		if s, err := b.Read(t.Context(), []bench.ChannelID{1}, 20*time.Millisecond, nil); err != nil || s[0].V > 1e-3 {
			t.Errorf("the bench reads %v, %v", s, err)
		}
	})
}

func TestFramingAndOverrun(t *testing.T) {
	inBubble(t, Config{}, func(t *testing.T, _ *Card, _ *fakeLink, k *talker) {
		long := "*ESE 7" + strings.Repeat(" ", 1023-6)
		k.tell(long) // 1024 bytes with its LF
		k.wants("*ESE?", "7")
		k.refuses(long+" ", `-363,"Input buffer overrun"`)
		k.refuses(strings.Repeat("x", 100_000), `-363,"Input buffer overrun"`)
		k.refuses("*ESE 9\x01", `-101,"Invalid character"`)
		k.refuses("*ESE 9µ", `-101,"Invalid character"`)
		k.tell("*ESE 8\r")
		k.tell("\r\n \t")
		k.wants("*ESE?", "8")
		k.wants("\t*ESE 5 ; *ESE? ; \tSYST:ERR?", "5;"+noError)
		for range 40 {
			k.tell("FOO")
		}
		k.wants("SYST:ERR:COUN?", "32")
		last := ""
		for range 32 {
			last = k.ask("SYST:ERR?")
		}
		if want := `-350,"Queue overflow"`; last != want {
			t.Errorf("the last error is %s, not %s", last, want)
		}
		// A message that comes in many pieces is one.
		for _, b := range []byte("*ESE 6\r\n*ESE?\n") {
			if _, err := k.stream.Write([]byte{b}); err != nil {
				t.Fatal(err)
			}
		}
		if got := k.line(); got != "6" {
			t.Errorf("%q", got)
		}
		// More than can wait is lost, and reported.
		k.tell("*CLS;:SENS1:CURR:APER 10")
		k.tell("READ?")
		var many strings.Builder
		for n := range 400 {
			fmt.Fprintf(&many, "*ESE %d\n", n%256)
		}
		k.tell(many.String())
		k.line()
		k.wants("*OPC?", "1")
		k.wants("SYST:ERR?;ERR?", `-363,"Input buffer overrun";`+noError)
	})
}

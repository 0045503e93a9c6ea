//go:build linux

package firmware

import (
	"math/rand/v2"
	"strings"
	"syscall"
	"testing"
	"time"
)

// prompt is what a host waits for an answer.
const prompt = 50 * time.Millisecond

// energise switches channel 1 on with a load.
func (r *rig) energise() {
	r.t.Helper()
	r.is("*RST;*CLS;*ESE 0;:SENS:CURR:PROT 1E-3;:VOLT 0.5;:ROUT:CLOS (@1!1);:OUTP ON;:OUTP?", "1")
}

// TestAbort holds that ABORt and *RST act while a reading is under way, and
// what they do with the messages around it. Each reading here takes hours: a
// card that went on with one would never answer.
func TestAbort(t *testing.T) {
	t.Parallel()
	r := newRig(t, plain(t))
	r.energise()
	r.send("SENS:CURR:APER 10;:SENS:AVER:COUN 1000;:SENS:AVER ON\n")
	for name, x := range map[string]struct{ say, answer string }{
		"ends the reading":                    {"READ?\nABOR\n*ESE?\n", "0"},
		"long form, blanks, a colon":          {"READ?\n :aborT ;*ESE 1;*ESE?;*ESE 0\n", "1"},
		"what follows in its message counts":  {"READ?\nABOR;:OUTP?\n", "1"},
		"drops what waits before it":          {"READ?\n*IDN?\n*ESE 3\nABOR\n*ESE?\n", "0"},
		"drops the rest of what it cuts":      {"*IDN?;:READ?;*ESE 3\nABOR\n*ESE?\n", "0"},
		"settings that waited are forgotten":  {"READ?\nVOLT 0.1\nABOR;:VOLT?\n", "5.0E-1"},
		"the first of two counts":             {"READ?\nABOR;*ESE?\nREAD?\nABOR;*ESE?\n", "0\n0"},
		"nothing is left to fetch":            {"READ?\nABOR;:FETC?\n*ESE?;:SYST:ERR?\n", `0;-230,"Data corrupt or stale"`},
		"also when too much was sent":         {"READ?\n" + strings.Repeat("*IDN?\n", 1000) + "ABOR\n*ESE?\n", "0"},
		"also after a message that is no end": {"READ?\n" + strings.Repeat("x", 3000) + "\nABOR\n*ESE?\n", "0"},
		"also while paths move":               {"ROUT:CLOS (@1!17);:READ?\nABOR;:ROUT:OPEN (@1!17);*ESE?\n", "0"},
		"without a reading it is in order":    {"*ESE 2\nABOR\n*ESE?;*ESE 0\n", "2"},
		"alone it is nothing":                 {"ABOR\n*ESE?\n", "0"},
	} {
		t.Run(name, func(t *testing.T) {
			r.send(x.say)
			for want := range strings.SplitSeq(x.answer, "\n") {
				if got := r.line(); got != want {
					t.Errorf("%s, not %s", got, want)
				}
			}
		})
	}
	r.is("OUTP?;*CLS", "1")
	r.energise()
	r.send("SENS:CURR:APER 10\nSENS:AVER:COUN 1000;:SENS:AVER ON\nREAD?\nOUTP2 ON\n*RST;:OUTP?\n")
	if got := r.line(); got != "0" {
		t.Errorf("*RST during a reading: OUTP? → %s", got)
	}
	r.is("ROUT:CLOS:STAT?;:SYST:ERR?", "(@);"+noError)
	r.quiet()
}

// TestTimes holds that a reading takes its apertures, and that paths are given
// their time.
func TestTimes(t *testing.T) {
	r := newRig(t, plain(t))
	r.energise()
	r.within(50*time.Millisecond, 100*time.Millisecond, func() {
		r.is("SENS:CURR:APER 0.01;:SENS:AVER:COUN 5;:SENS:AVER ON;:READ?", "5.0E-1,4.98007968E-4,4,5.0E-1")
	})
	r.within(30*time.Millisecond, 80*time.Millisecond, func() {
		r.is("SENS:CURR:APER 3E-5;:SENS:AVER:COUN 1000;:READ?", "5.0E-1,4.98007968E-4,4,5.0E-1")
	})
	r.is("SENS:AVER OFF;:SENS2:CURR:APER 0.05;*ESE?", "0")
	r.within(50*time.Millisecond, 100*time.Millisecond, func() { r.ask("READ? (@1,2)") })
	r.within(0, prompt, func() { r.ask("READ? (@1)") })
	r.within(4*time.Millisecond, 24*time.Millisecond, func() { r.is("ROUT:CLOS (@2!3);OPEN (@2!3);*ESE?", "0") })
	r.within(0, 20*time.Millisecond, func() { r.is("VOLT 0.4;VOLT?", "4.0E-1") })
	r.send("READ?\n*IDN?\n") // waits its turn
	if first, second := r.line(), r.line(); !strings.HasPrefix(first, "4.0E-1,") || !strings.HasPrefix(second, "Ohmkeep,") {
		t.Errorf("%s and then %s", first, second)
	}
}

// TestWatchdog holds that a host that is silent is taken for gone, by a clock
// that does not need it.
func TestWatchdog(t *testing.T) {
	t.Parallel()
	r := newRigWith(t, plain(t), watchdog)
	r.is("*OPT?", "CHANNELS 2,WATCHDOG 0.400,MESSAGE 1024")
	for _, silent := range []string{"", "*ESE 1", "\x00\xff", "\r"} { // none of them ends a message
		r.energise()
		r.send(silent)
		r.silence()
		r.send("\n")
		r.is("*ESE 0;*CLS;OUTP?;:ROUT:CLOS:STAT?;:SOUR1:CURR:PROT:TRIP?;:SOUR2:CURR:PROT:TRIP?;:VOLT?;:SENS:CURR:PROT?", "0;(@);1;0;0.0E+0;1.0E-3")
	}
	r.energise()
	r.silence()
	r.is("*ESR?;:SYST:ERR?;:SYST:ERR?", `8;-365,"Time out error;watchdog";`+noError)
	r.is("OUTP ON\nOUTP?;:SYST:ERR?", "0;-221,\"Settings conflict\"")
	r.is("SOUR:CURR:PROT:CLE;TRIP?;:OUTP ON;:OUTP?", "0;1")
	r.is("*RST;:ROUT:CLOS (@0!2);*ESE?", "0")
	r.silence()
	r.is("ROUT:CLOS:STAT?;:SYST:ERR?;:CURR:PROT:TRIP?", `(@);-365,"Time out error;watchdog";0`)
	r.idle()
	r.is("SYST:ERR?", noError) // with nothing on or closed silence is nothing
}

// TestWatchdogLetsTalkGoOn holds that a host that talks, or waits for a long
// reading, is not taken for gone.
func TestWatchdogLetsTalkGoOn(t *testing.T) {
	t.Parallel()
	r := newRigWith(t, plain(t), watchdog)
	const on = "5.0E-1,4.98007968E-4,4,5.0E-1;1"
	// Where the machine holds up the host for as long as the watchdog waits, the
	// card is right to switch off, and it is talked to anew.
	// It got a message at some time between its sending and its answer, so that the
	// longest silence that it can have seen is from the sending of the one before.
	for talked := time.Duration(0); talked < 2*watchdog; {
		before := time.Now()
		r.energise()
		for talked < 2*watchdog {
			sent := time.Now()
			got, silence := r.ask("READ?;:OUTP?"), time.Since(before)
			if got != on && silence < watchdog*9/10 {
				t.Fatalf("after a silence of at most %v: %s", silence, got)
			} else if got != on {
				talked = 0
				break
			}
			talked += sent.Sub(before)
			before = sent
		}
	}
	for got := ""; got != on; {
		last := time.Now()
		r.energise()
		r.send("SENS:CURR:APER 0.5\n") // longer than the watchdog's time
		got = r.ask("READ?;:OUTP?")
		if pause := time.Since(last) - 500*time.Millisecond; got != on && pause < watchdog*9/10 {
			t.Fatalf("after a reading longer than the watchdog's time: %s", got)
		}
	}
}

// TestHangUp holds that a card goes on without its host until everything is
// off: the program ends only then.
func TestHangUp(t *testing.T) {
	t.Parallel()
	r := newRigWith(t, plain(t), watchdog)
	// The card may get the last message long before its answer is read here, so that
	// the time goes from before it was sent.
	start := time.Now()
	r.energise()
	r.hangUp()
	if took := time.Since(start); took < watchdog*9/10 {
		t.Errorf("the card ended after %v with an output on", took)
	}
}

// TestTrip holds that a channel that the circuit itself switches off says so,
// stays off until it is cleared, and leaves the others alone.
func TestTrip(t *testing.T) {
	r := newRig(t, plain(t))
	r.energise()
	r.is("SENS2:CURR:PROT 1E-3;:OUTP2 ON;:OUTP2?", "1")
	if err := r.process.Process.Signal(syscall.SIGUSR1); err != nil {
		t.Fatal(err)
	}
	for r.ask("OUTP1?") == "1" { // until the signal has come
	}
	r.is("SYST:ERR?;:SYST:ERR?;*ESR?", `-240,"Hardware error;trip of channel 1";`+noError+";16")
	r.is("SOUR1:CURR:PROT:TRIP?;:SOUR2:CURR:PROT:TRIP?;:OUTP2?;:ROUT:CLOS:STAT?", "1;0;1;(@1!1)")
	r.is("OUTP1 ON\nSYST:ERR?;:OUTP1?", `-221,"Settings conflict";0`)
	r.is("SOUR1:CURR:PROT:CLE;:OUTP1 ON;:OUTP1?;:VOLT?", "1;5.0E-1")
}

// TestBytes sends bytes of any kind over a real line to a card with the
// compiler's checks, with its outputs on: it must not crash, and switch off
// what is on once the host is silent. TestRandom does the same in simulated
// time, and far more of it.
func TestBytes(t *testing.T) {
	t.Parallel()
	r := newRigWith(t, guarded(t), watchdog)
	random := rand.New(rand.NewPCG(5, 6))
	for range 4 {
		r.energise()
		noise := make([]byte, 12_000)
		for i := range noise {
			noise[i] = byte(random.Uint32())
			if random.IntN(3) > 0 {
				noise[i] = "SOURVLTPCH:;?*1 (@!),\n"[random.IntN(22)]
			}
		}
		r.send(string(noise))
		r.settle()
		r.energise()
		r.send(string(noise[:500]))
		r.idle()
		r.off()
		r.send("\nOUTP1?;:OUTP2?;:ROUT:CLOS:STAT?;:SYST:VERS?\n")
		got := r.line()
		for !strings.HasSuffix(got, ";1999.0") { // what the last piece of noise asked
			got = r.line()
		}
		if got != "0;0;(@);1999.0" {
			t.Errorf("after the watchdog's time of silence: outputs and paths %s", got)
		}
	}
}

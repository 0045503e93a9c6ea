package conformance

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/wire"
	"ohmkeep/server/cardinfo"
)

// heard keeps what the host sends.
type heard struct {
	io.ReadWriteCloser
	mu   sync.Mutex
	sent bytes.Buffer
}

func (h *heard) Write(b []byte) (int, error) {
	h.mu.Lock()
	h.sent.Write(b)
	h.mu.Unlock()
	return h.ReadWriteCloser.Write(b)
}

// meddle has the card do something before the check comes. The card stays
// energised between hosts only as long as its watchdog lets it, so that it is
// said on the check's own connection.
func (r *rig) meddle(t *testing.T, messages ...string) *heard {
	t.Helper()
	stream, err := r.dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range messages {
		if _, err := io.WriteString(stream, m+"\n"); err != nil {
			t.Fatal(err)
		}
	}
	return &heard{ReadWriteCloser: stream}
}

const switchedOn = "SENS1:CURR:PROT 1E-5;:OUTP1 ON"

func TestNothingIsSetWhileSomethingIsOn(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, message string }{
		{"an output", switchedOn}, {"a path", "ROUT:CLOS (@1!1)"},
	} {
		t.Run(c.name, func(t *testing.T) {
			virtually(t, func(t *testing.T) {
				r := newRig(t, time.Minute, nil)
				stream := r.meddle(t, c.message)
				found, err := r.over(t.Context(), stream)
				if !errors.Is(err, ErrEnergised) || len(failed(found)) != 1 {
					t.Errorf("%v, and %q failed", err, failed(found))
				}
				for m := range strings.Lines(stream.sent.String()) {
					for unit := range strings.SplitSeq(strings.TrimSpace(m), ";") {
						// *ESE is how a line finds its step.
						if unit != "" && !strings.HasSuffix(unit, "?") && !strings.HasPrefix(unit, "*ESE ") {
							t.Errorf("%q was sent", unit)
						}
					}
				}
				if r.card.State() != bench.Energised && r.link.outputs+r.link.paths == 0 {
					t.Error("nothing was on in the first place")
				}
			})
		})
	}
}

func TestToldToItGoesOnAnyway(t *testing.T) {
	virtually(t, func(t *testing.T) {
		r := newRig(t, time.Minute, nil)
		stream := r.meddle(t, switchedOn)
		r.options.Anyway = true
		r.options.Watchdog = time.Minute
		found, err := r.over(t.Context(), stream, "identity")
		if got := failed(found); err != nil || len(got) != 1 || got[0] != "every output is off" {
			t.Errorf("%v, %q failed", err, got)
		}
		if r.card.State() != bench.Safe {
			t.Errorf("the card is %s", r.card.State())
		}
	})
}

func TestACardThatCannotBeResetIsLeftAlone(t *testing.T) {
	virtually(t, func(t *testing.T) {
		r := newRig(t, testWatchdog, &spoiler{ask: strings.NewReplacer("*RST", "NOSUCH").Replace})
		found, err := r.run()
		if !errors.Is(err, ErrUnsafe) {
			t.Errorf("%v", err)
		}
		if n := len(found); n == 0 || found[n-1].Title != "*RST makes it safe" || found[n-1].Verdict != cardinfo.Fail {
			t.Errorf("%+v", found)
		}
		if r.link.outputs+r.link.paths > 0 {
			t.Error("something was switched")
		}
	})
}

// TestStopMakesSafe stops the check at the moment at which an output is on.
func TestStopMakesSafe(t *testing.T) {
	virtually(t, func(t *testing.T) {
		r := newRig(t, time.Minute, nil)
		r.options.Watchdog = time.Minute
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		r.link.switched = func(on bool) {
			if on {
				stop()
			}
		}
		stream, err := r.dial(ctx)
		if err != nil {
			t.Fatal(err)
		}
		h := &heard{ReadWriteCloser: stream}
		found, err := r.over(ctx, h, "outputs")
		if !errors.Is(err, context.Canceled) || errors.Is(err, ErrUnsafe) {
			t.Errorf("%v", err)
		}
		if last := found[len(found)-1]; last.Title != "the card is safe" || last.Verdict != cardinfo.Pass {
			t.Errorf("at last: %+v", last)
		}
		if r.link.outputs != 1 || !strings.Contains(h.sent.String(), "ABOR;*RST") {
			t.Errorf("%d outputs were on; sent %q", r.link.outputs, h.sent.String())
		}
	})
}

func TestACardThatDoesNotGetSafeIsSaid(t *testing.T) {
	virtually(t, func(t *testing.T) {
		var ending bool
		bad := &spoiler{}
		bad.ask = func(m string) string {
			ending = ending || strings.HasPrefix(m, "ABOR;*RST")
			return m
		}
		bad.answer = func(m, a string) string {
			if m == "OUTP1?" && ending {
				return "1"
			}
			return a
		}
		r := newRig(t, testWatchdog, bad)
		found, err := r.run("numbers")
		if got := failed(found); !errors.Is(err, ErrUnsafe) || len(got) != 1 || got[0] != "the card is safe" {
			t.Errorf("%v, %q failed", err, got)
		}
	})
}

// TestACardThatDies holds that what was not tried is never called passed.
func TestACardThatDies(t *testing.T) {
	virtually(t, func(t *testing.T) {
		var dead bool
		bad := &spoiler{ask: func(m string) string {
			if dead = dead || m == "*ESE #B101"; dead {
				return ""
			}
			return m
		}}
		r := newRig(t, testWatchdog, bad)
		r.options.Timeout = 20 * time.Millisecond
		found, err := r.run("numbers")
		if !errors.Is(err, ErrSilent) || !errors.Is(err, ErrUnsafe) {
			t.Errorf("%v", err)
		}
		after := false
		var skipped int
		for _, f := range found {
			if after && f.Verdict == cardinfo.Pass && f.Group == "numbers" {
				t.Errorf("%q passed on a dead card", f.Title)
			}
			after = after || f.Title == "#B is read"
			if f.Verdict == cardinfo.Skipped {
				skipped++
			}
		}
		if !after || skipped < 10 {
			t.Errorf("%d skipped of %d", skipped, len(found))
		}
	})
}

func TestARestartUnasked(t *testing.T) {
	virtually(t, func(t *testing.T) {
		n := 0
		bad := &spoiler{answer: func(m, a string) string {
			if !strings.HasPrefix(m, "*ESR?;*RST") {
				return a
			}
			if n++; n == 5 {
				return "128;0"
			}
			return a
		}}
		r := newRig(t, testWatchdog, bad)
		found, err := r.run("status")
		if err != nil {
			t.Error(err)
		}
		if got := failed(found); len(got) != 1 || got[0] != "the card did not restart by itself" {
			t.Errorf("%q failed", got)
		}
	})
}

// TestBareAddress checks the card with nothing known of it but what it says.
func TestBareAddress(t *testing.T) {
	virtually(t, func(t *testing.T) {
		r := newRig(t, testWatchdog, nil)
		r.options = Options{Timeout: 300 * time.Millisecond}
		r.noRestart = true
		found, err := r.run("settings", "readings", "paths", "reset")
		if err != nil {
			t.Error(err)
		}
		report(t, found, notHere...)
		for _, f := range found {
			switch f.Title {
			case "the ranges are found out by asking":
				if !strings.Contains(f.Came, "force V 2 10 force A 1E-06 1E-05 0.0001 0.001 0.01 0.1 sense V 2 10") {
					t.Errorf("ranges: %s", f.Came)
				}
			case "paths are found out by asking":
				if f.Came != "the card knows 0!1, 1!1, 1!2, 2!1, 2!2, 3!1, 3!2, 4!1, 4!2" {
					t.Errorf("paths: %s", f.Came)
				}
			}
		}
	})
}

func TestNoPaths(t *testing.T) {
	virtually(t, func(t *testing.T) {
		r := newRig(t, testWatchdog, &spoiler{ask: strings.NewReplacer("ROUT:", "NOSUCH:").Replace})
		r.options.Paths = nil
		found, err := r.run("paths", "commands", "timing", "reset", "numbers")
		if err != nil {
			t.Error(err)
		}
		for _, f := range found {
			if f.Group == "paths" && (f.Verdict != cardinfo.Skipped || !strings.Contains(f.Came, "no paths")) {
				t.Errorf("%s: %s, %s", f.Verdict, f.Title, f.Came)
			}
		}
		if got := failed(found); len(got) > 0 {
			t.Errorf("%q failed", got)
		}
	})
}

func TestOptions(t *testing.T) {
	virtually(t, func(t *testing.T) {
		if err := Run(t.Context(), nil, Options{Groups: []string{"nonsense"}}, nil); err == nil {
			t.Error("a group that there is not was taken")
		}
		r := newRig(t, testWatchdog, nil)
		o := r.options
		if len(o.Channels) != 4 || len(o.Paths) != 240 || o.Watchdog != testWatchdog || o.Channels[1].RemoteSense {
			t.Errorf("%d channels, %d paths, watchdog %v", len(o.Channels), len(o.Paths), o.Watchdog)
		}
		if _, err := OptionsOf(&bench.Definition{}, "none"); err == nil {
			t.Error("a connection that there is not was taken")
		}
		for text, want := range map[string]string{"1!12": "{1!12 1 12 }", " 0!3 ": "{0!3 0 3 }", "5": "", "1!1:1!3": "", "": "", "x!1": ""} {
			p, err := ParsePath(text)
			if got := fmt.Sprint(p); (err == nil) != (want != "") || err == nil && got != want {
				t.Errorf("%q: %s, %v", text, got, err)
			}
		}
	})
}

// TestNobodyThere holds that a line to nothing ends soon, without a finding.
func TestNobodyThere(t *testing.T) {
	virtually(t, func(t *testing.T) {
		host, card := net.Pipe()
		go func() { _, _ = io.Copy(io.Discard, card) }()
		line := wire.NewLine(host, wire.Options{})
		defer func() { _ = line.Close() }()
		err := Run(t.Context(), line, Options{Timeout: 10 * time.Millisecond}, func(f cardinfo.Finding) { t.Errorf("%+v", f) })
		if !errors.Is(err, ErrSilent) {
			t.Errorf("%v", err)
		}
	})
}

//go:build linux

package firmware

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/conformance"
	"ohmkeep/server/card/wire"
	"ohmkeep/server/cardinfo"
)

// mayBeSkipped are the points that this card cannot be held to, and why.
var mayBeSkipped = map[string]string{
	"a second connection is closed at once, without a byte": "a serial line has one host",
	"a second host changes nothing":                         "a serial line has one host",
	"a value that its range does not hold says so":          "the limit must fit the sense range: nothing at these levels is over range",
	"channel 2: *RST goes back to local sense":              "the example's channel 2 has no sense terminals",
}

// ranges are those of the example's channels.
func ranges(full ...float64) []bench.Range {
	out := make([]bench.Range, len(full))
	for i, f := range full {
		out[i].FullScale = f
	}
	return out
}

// patient is the watchdog of the cards that the check of a card goes over: it waits
// it out a few times, and hundreds of its questions must not find the card safe
// because the machine held the check up.
const patient = 2 * time.Second

// described is what example_hardware.cpp is.
func described() conformance.Options {
	volts, amperes := ranges(2, 10), ranges(1e-6, 10e-6, 100e-6, 1e-3, 10e-3, 100e-3)
	o := conformance.Options{Watchdog: patient, SwitchTime: 2 * time.Millisecond}
	for n := 1; n <= 2; n++ {
		o.Channels = append(o.Channels, conformance.Channel{
			Number: n, RemoteSense: n == 1, ForceV: volts, SenseV: volts, ForceI: amperes, SenseI: amperes,
		})
	}
	for contact := 1; contact <= 32; contact++ {
		for line := range 3 {
			mux := fmt.Sprintf("%d/%d", line, (contact-1)/16)
			if line == 0 {
				mux = fmt.Sprintf("return/%d", contact)
			}
			o.Paths = append(o.Paths, conformance.Path{Item: fmt.Sprintf("%d!%d", line, contact), Line: line, Contact: contact, Mux: mux})
		}
	}
	return o
}

// TestConformance has the check of a card go over the skeleton, described and
// unknown, on a pseudo-terminal.
func TestConformance(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("waits the watchdog out many times")
	}
	t.Run("described", func(t *testing.T) {
		t.Parallel() // it mostly waits
		check(t, described(), mayBeSkipped)
	})
	t.Run("unknown", func(t *testing.T) {
		t.Parallel()
		excused := maps.Clone(mayBeSkipped)
		excused["a channel list of too many items is refused"] = "it takes more paths than are found out by asking"
		check(t, conformance.Options{}, excused)
	})
}

// check goes over a card. A point may be skipped only where it is excused.
func check(t *testing.T, o conformance.Options, excused map[string]string) {
	t.Helper()
	r := openRig(t, plain(t), patient)
	r.start()
	o.Connection, o.Log, o.Stream = "card", wire.NewLog(1<<20), r.host
	line := wire.NewLine(r.host, wire.Options{Connection: o.Connection, Log: o.Log, Timeout: time.Hour})
	o.Restart = func(context.Context) (*wire.Line, io.Writer, error) {
		r.restart()
		return line, r.host, nil
	}
	start, counts := time.Now(), map[cardinfo.Verdict]int{}
	err := conformance.Run(t.Context(), line, o, func(f cardinfo.Finding) {
		counts[f.Verdict]++
		switch {
		case f.Verdict == cardinfo.Fail:
			t.Errorf("%s: %s\n  expected %s\n  came     %s", f.Group, f.Title, f.Expected, f.Came)
			for _, e := range f.Events {
				t.Logf("    %s %s %q", e.At.Format("05.000000"), e.Dir, e.Bytes)
			}
		case f.Verdict == cardinfo.Skipped && excused[f.Title] == "":
			t.Errorf("%s: %s was skipped: %s", f.Group, f.Title, f.Came)
		case f.Verdict == cardinfo.Skipped:
			t.Logf("%s: %s was skipped, %s: %s", f.Group, f.Title, excused[f.Title], f.Came)
		}
	})
	if err != nil {
		t.Error(err)
	}
	t.Logf("%d passed, %d failed, %d skipped in %v", counts[cardinfo.Pass], counts[cardinfo.Fail], counts[cardinfo.Skipped], time.Since(start))
	if err := line.Close(); err != nil && !errors.Is(err, wire.ErrClosed) {
		t.Error(err)
	}
}

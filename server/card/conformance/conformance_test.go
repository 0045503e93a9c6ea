package conformance

import (
	"slices"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/emulator"
	"ohmkeep/server/card/wire"
	"ohmkeep/server/cardinfo"
)

// report fails the test for every finding that is no pass, but for skipped
// ones that must be.
func report(t *testing.T, found []cardinfo.Finding, skipped ...string) {
	t.Helper()
	for _, f := range found {
		if f.Verdict == cardinfo.Pass || f.Verdict == cardinfo.Skipped && slices.Contains(skipped, f.Title) {
			continue
		}
		t.Errorf("%s, %s: %s\n  expected %s\n  came     %s", f.Verdict, f.Group, f.Title, f.Expected, f.Came)
		for _, e := range f.Events {
			t.Logf("    %s %s %q", e.At.Format("05.000000"), e.Dir, e.Bytes)
		}
	}
	for _, title := range skipped {
		if !slices.ContainsFunc(found, func(f cardinfo.Finding) bool { return f.Title == title && f.Verdict == cardinfo.Skipped }) {
			t.Errorf("%q is to be skipped", title)
		}
	}
}

// notHere are the points that cannot be tried with the emulated card: it
// refuses what would bring them about.
var notHere = []string{
	"a value that its range does not hold says so",
	"channel 2: *RST goes back to local sense",
	"channel 4: *RST goes back to local sense",
}

// inAnyTime are the groups that a real card can be held to by a busy machine:
// all but those that judge how long the card takes.
func inAnyTime() []string {
	return slices.DeleteFunc(Groups(), func(g string) bool { return g == "timing" || g == "watchdog" })
}

// TestEmulatedCard checks the emulated card at every point.
func TestEmulatedCard(t *testing.T) {
	virtually(t, func(t *testing.T) {
		checkAll(t, newRig(t, testWatchdog, nil))
	})
}

// TestEmulatedCardOverTCP checks it over a real line.
func TestEmulatedCardOverTCP(t *testing.T) {
	t.Parallel()
	r := newRigOnTCP(t, time.Minute)
	r.options.Timeout = patience
	checkAll(t, r, inAnyTime()...)
}

// patience is for how long an answer over a real line may be late. A few
// points wait it out.
const patience = 2 * time.Second

func checkAll(t *testing.T, r *rig, groups ...string) {
	t.Helper()
	start := time.Now()
	found, err := r.run(groups...)
	if err != nil {
		t.Error(err)
	}
	report(t, found, notHere...)
	t.Logf("%d points in %v", len(found), time.Since(start))
	if r.link.outputs < 20 || r.link.paths < 10 {
		t.Errorf("the outputs were switched on %d times and %d paths closed: hardly anything was tried", r.link.outputs, r.link.paths)
	}
	for _, f := range found {
		if f.Verdict == cardinfo.Pass && len(f.Events) == 0 && f.Title != "the card did not restart by itself" {
			t.Errorf("%s: %s passed without an exchange", f.Group, f.Title)
		}
	}
}

// TestEmulatedCardOverPTY checks it over a serial line that is a
// pseudo-terminal.
func TestEmulatedCardOverPTY(t *testing.T) {
	t.Parallel()
	r := newRigOnTCP(t, time.Minute)
	r.options.Timeout = patience
	card, path, err := emulator.OpenPTY()
	if err != nil {
		t.Skipf("no pseudo-terminal: %v", err)
	}
	ended := make(chan error, 1)
	go func() { ended <- r.card.Serve(t.Context(), card) }()
	a, err := bench.ParseAddress("serial://" + path)
	if err != nil {
		t.Fatal(err)
	}
	stream, err := wire.DialerOf(a)(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	r.options.Dial, r.options.Baud = nil, a.Baud
	r.noRestart = true
	found, err := r.over(t.Context(), stream, inAnyTime()...)
	if err != nil {
		t.Error(err)
	}
	report(t, found, append(notHere, "a second connection is closed at once, without a byte", "a second host changes nothing", "a card that has started anew says so")...)
	_ = card.Close()
	<-ended
}

// TestSlowLine has the line take the time that its bits do, which is real.
func TestSlowLine(t *testing.T) {
	if testing.Short() {
		t.Skip("takes as long as the bits of a serial line")
	}
	t.Parallel()
	r := newRigOnTCP(t, time.Minute)
	r.options.Timeout = patience
	const baud = 115200
	stream, err := r.dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	r.options.Dial, r.options.Baud, r.noRestart = nil, baud, true
	r.options.Channels = r.options.Channels[:1]
	start := time.Now()
	found, err := r.over(t.Context(), emulator.Paced(stream, baud), "messages", "errors", "readings", "abort")
	if err != nil {
		t.Error(err)
	}
	report(t, found, notHere[0])
	t.Logf("%d points in %v", len(found), time.Since(start))
}

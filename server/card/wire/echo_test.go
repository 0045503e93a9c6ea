package wire

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// echoes sends back every line first, then does with it what on does.
func echoes(on do) do {
	return func(c *fake, line string) {
		c.say(line + "\r\n")
		on(c, line)
	}
}

func TestEcho(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, _ := inStep(t, Options{Echo: true}, echoes(well))
		for i := range 20 {
			for _, told := range []string{"VOLT 1", "ONE\nTWO\r\n\nTHREE"} {
				if err := l.Tell(t.Context(), told); err != nil {
					t.Fatal(err)
				}
			}
			mustAsk(t, l, fmt.Sprintf("Q%d?", i))
		}
		lines, err := l.Gather(t.Context(), "A?\nB\nC?", 10*time.Millisecond)
		if err != nil || strings.Join(lines, " ") != "A:A? A:C?" {
			t.Fatalf("%q, %v", lines, err)
		}
		if err := l.Urgent(t.Context(), "ABOR", time.Second); err != nil {
			t.Fatal(err)
		}
		mustAsk(t, l, "Q?")
		if _, late, bad := l.Counts(); late+bad != 1 { // ABOR's echo
			t.Errorf("%d late, %d garbled", late, bad)
		}
	})
}

func TestBadEchoes(t *testing.T) {
	for name, c := range map[string]struct {
		on   do
		want error
	}{
		"none":         {onQ(well), ErrGarbled},
		"another":      {onQ(func(c *fake, _ string) { c.say("q?\nA:Q?\n") }), ErrGarbled},
		"twice":        {onQ(func(c *fake, _ string) { c.say("Q?\nQ?\n", "A:Q?\n") }), ErrUnexpected},
		"alone":        {onQ(func(c *fake, _ string) { c.say("Q?\n") }), ErrTimeout},
		"half":         {onQ(func(c *fake, _ string) { c.say("Q") }), ErrTimeout},
		"and two more": {onQ(func(c *fake, _ string) { c.say("Q?\n", "A:Q?\nA:Q?\n") }), ErrUnexpected},
	} {
		bubble(t, name, func(t *testing.T) {
			l, _ := inStep(t, Options{Echo: true}, func(k *fake, line string) {
				if line != "Q?" {
					k.say(line + "\n")
				}
				c.on(k, line)
			})
			mustAsk(t, l, "before?")
			_, err := l.Ask(t.Context(), "Q?", within)
			synctest.Wait()
			if !errors.Is(err, c.want) || l.InStep() {
				t.Fatalf("%v, in step %v", err, l.InStep())
			}
			if err := l.Resync(t.Context(), time.Second); err != nil {
				t.Fatal(err)
			}
			mustAsk(t, l, "after?")
		})
	}
}

// A card that is not known to send back its lines is found out.
func TestUnknownEcho(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, _ := inStep(t, Options{}, echoes(well))
		if _, err := l.Ask(t.Context(), "Q?", within); !errors.Is(err, ErrUnexpected) || !strings.Contains(err.Error(), "sends back") {
			t.Fatal(err)
		}
	})
}

// A card that stops sending back what it is sent is noticed by Tell alone.
func TestNoEcho(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, _ := inStep(t, Options{Echo: true}, well)
		for i := range 10 * maxEchoes {
			if err := l.Tell(t.Context(), "X"); errors.Is(err, ErrOutOfStep) {
				return
			} else if err != nil || i > maxEchoes {
				t.Fatalf("message %d: %v", i, err)
			}
		}
		t.Fatal("not noticed")
	})
}

func TestGather(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, c := inStep(t, Options{}, func(c *fake, line string) {
			switch line {
			case "HELP":
				c.say("one\r\n\r\n", "\xffbad\ntw", "o\n", "half")
			case "FLOOD":
				c.say(strings.Repeat("x\n", 3*maxGathered))
			case "LATE?":
				time.Sleep(within)
				c.say("late\n")
			default:
				well(c, line)
			}
		})
		gather := func(message string, want []string) {
			t.Helper()
			start := time.Now()
			got, err := l.Gather(t.Context(), message, within/2)
			if err != nil || !slices.Equal(got, want) || !l.InStep() {
				t.Fatalf("%s: %q, %v", message, got, err)
			}
			if took := time.Since(start); took < within/2 || took > 2*within {
				t.Errorf("%s took %v", message, took)
			}
		}
		gather("HELP", []string{"one", "two"})
		// However late the answer is, it is one.
		gather("LATE?", []string{"late"})
		gather("FLOOD", slices.Repeat([]string{"x"}, maxGathered))
		// A line that is out of step can be gathered from.
		c.say("unasked\n")
		synctest.Wait()
		gather("Q?", []string{"A:Q?"})
		mustAsk(t, l, "after?")
	})
}

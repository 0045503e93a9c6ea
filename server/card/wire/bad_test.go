package wire

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// onQ does something with the question Q? alone.
func onQ(f do) do {
	return func(c *fake, line string) {
		if line == "Q?" {
			f(c, line)
		} else {
			well(c, line)
		}
	}
}

// says answers Q? with these pieces.
func says(pieces ...string) do {
	return onQ(func(c *fake, _ string) { c.say(pieces...) })
}

// reboots answers Q? with what a card says that starts: it takes its time, has
// forgotten what it was told meanwhile, and then is as good as new.
func reboots() do {
	var ready time.Time
	return func(c *fake, line string) {
		switch {
		case line == "Q?":
			ready = time.Now().Add(300 * time.Millisecond)
			c.say("A:", "\x00\xff", "boot 1.2\r\nselft", "est passed\r\n", "\r\nready\r\n")
		case time.Now().After(ready):
			well(c, line)
		}
	}
}

// firstMarks does something with the first n resync questions after Q?, which
// it does not answer.
func firstMarks(n int, f do) do {
	asked, left := false, n
	return func(c *fake, line string) {
		switch {
		case line == "Q?":
			asked = true
		case asked && isMark(line) && left > 0:
			left--
			f(c, line)
		default:
			well(c, line)
		}
	}
}

type badCard struct {
	name string
	on   do
	want error // of the question; nil where the answer is to be had nevertheless
}

// badCards are made anew for each test: some remember what was said.
func badCards() []badCard {
	return []badCard{
		{"answers in single bytes", says("A", ":", "Q", "?", "\r", "\n"), nil},
		{"ends its lines with CR LF", says("A:Q?\r\n"), nil},
		{"ends its lines with LF CR", says("A:Q?\n\r"), nil},
		{"sends empty lines about", says("\n\r\n\n", "\n", "A:Q?\n\r\n\n", "\r\n"), nil},
		{"is slow but in time", onQ(func(c *fake, line string) {
			c.say("A:")
			time.Sleep(within - 1)
			c.say("Q?\n")
		}), nil},

		{"is silent", says(), ErrTimeout},
		{"answers half a line", says("A:Q"), ErrTimeout},
		{"answers without an end", says("A:Q?"), ErrTimeout},
		{"is late", onQ(func(c *fake, line string) {
			time.Sleep(within + 20*time.Millisecond)
			well(c, line)
		}), ErrTimeout},
		{"is very late", onQ(func(c *fake, line string) {
			time.Sleep(5 * within)
			well(c, line)
		}), ErrTimeout},
		{"is late with half of it", onQ(func(c *fake, line string) {
			c.say("A:")
			time.Sleep(2 * within)
			c.say("Q?\n")
		}), ErrTimeout},
		{"is late with half of it and stays there", onQ(func(c *fake, line string) {
			time.Sleep(2 * within)
			c.say("A:Q")
		}), ErrTimeout},

		{"repeats itself", says("A:Q?\nA:Q?\n"), ErrUnexpected},
		{"says something else as well", says("A:Q?\nready\n"), ErrUnexpected},
		{"begins another line", says("A:Q?\nrea"), ErrUnexpected},
		{"says something before it", says("hello\nA:Q?\n"), ErrUnexpected},

		{"sends noise", says("A:\x00Q?\n"), ErrGarbled},
		{"sends noise before it", says("\xff\xfe", "A:Q?\n"), ErrGarbled},
		{"sends noise after it", says("A:Q?\n\x80"), ErrGarbled},
		{"sends noise for ever", says("\x01"), ErrGarbled},
		{"sends noise of single bits", says("A:Q?\x7f\n"), ErrGarbled},
		{"has a CR in it", says("A:\rQ?\n"), ErrGarbled},
		{"has a CR in its pieces", says("A:", "\r", "Q?\n"), ErrGarbled},
		{"sends a line that is too long", says(strings.Repeat("A", maxLine), "A\n"), ErrGarbled},
		{"sends a line without end", says(strings.Repeat("A", maxLine), "A"), ErrGarbled},

		{"starts again", reboots(), ErrGarbled},
		{"loses a resync", firstMarks(1, func(*fake, string) {}), ErrTimeout},
		{"loses three resyncs", firstMarks(3, func(*fake, string) {}), ErrTimeout},
		{"garbles a resync", firstMarks(1, func(c *fake, line string) { c.say(markOf(line)[:3] + "\x00" + markOf(line)[4:] + "\n") }), ErrTimeout},
		{"answers a resync with half", firstMarks(1, func(c *fake, line string) { c.say(markOf(line)[:4]) }), ErrTimeout},
		{"answers a resync without its beginning", firstMarks(1, func(c *fake, line string) { c.say(markOf(line)[1:] + "\n") }), ErrTimeout},
		{"answers a resync with another pair", firstMarks(1, func(c *fake, line string) { c.say(pairBut(line) + "\n") }), ErrTimeout},
		{"is late with a resync", firstMarks(1, func(c *fake, line string) {
			time.Sleep(200 * time.Millisecond)
			well(c, line)
		}), ErrTimeout},
		{"writes signs", firstMarks(1, func(c *fake, line string) {
			c.say("+" + strings.ReplaceAll(markOf(line), ";", ";+") + "\n")
		}), ErrTimeout},
		{"sends a banner after a resync", firstMarks(1, func(c *fake, line string) { c.say(markOf(line) + "\nready\n") }), ErrTimeout},
		{"sends noise after a resync", firstMarks(1, func(c *fake, line string) { c.say(markOf(line) + "\n\xff\n") }), ErrTimeout},
		{"answers what was cut off before the resync", func() do {
			held := ""
			return func(c *fake, line string) {
				if line == "Q?" {
					held = "A:Q?\n"
					return
				}
				answer, _ := reply(line)
				c.say(held + answer + "\n")
				held = ""
			}
		}(), ErrTimeout},
	}
}

// What a bad card does to one question, and that the next one gets its own
// answer again after a resync.
func TestBadCards(t *testing.T) {
	for _, bad := range badCards() {
		bubble(t, bad.name, func(t *testing.T) {
			l, _ := inStep(t, Options{}, bad.on)
			mustAsk(t, l, "before?")
			got, err := l.Ask(t.Context(), "Q?", within)
			synctest.Wait() // what came with it has been looked at
			if bad.want == nil {
				if err != nil || got != "A:Q?" || !l.InStep() {
					t.Fatalf("%q, %v, in step %v", got, err, l.InStep())
				}
			} else {
				if !errors.Is(err, bad.want) || got != "" {
					t.Fatalf("%q, %v", got, err)
				}
				if _, err := l.Ask(t.Context(), "never?", within); !errors.Is(err, ErrOutOfStep) || l.InStep() {
					t.Fatalf("the next question: %v", err)
				}
				if err := l.Tell(t.Context(), "never"); !errors.Is(err, ErrOutOfStep) {
					t.Fatalf("the next message: %v", err)
				}
				if err := l.Resync(t.Context(), time.Second); err != nil {
					t.Fatal(err)
				}
			}
			for i := range 5 {
				mustAsk(t, l, fmt.Sprintf("after %d?", i))
			}
		})
	}
}

// What a card says unasked is noticed before it can be taken for an answer.
func TestUnasked(t *testing.T) {
	for said, want := range map[string]error{
		"SRQ\n": ErrUnexpected, "half": ErrUnexpected, "\x00": ErrGarbled, "\xff\n": ErrGarbled,
		"\r\n": nil, "\n": nil, "\r": nil,
	} {
		bubble(t, fmt.Sprintf("%q", said), func(t *testing.T) {
			l, c := inStep(t, Options{}, well)
			c.say(said)
			synctest.Wait()
			if why := l.Reason(); !errors.Is(why, want) {
				t.Fatalf("%v", why)
			}
			if want == nil {
				mustAsk(t, l, "Q?")
				return
			}
			if _, err := l.Ask(t.Context(), "Q?", within); !errors.Is(err, ErrOutOfStep) || errors.Is(err, want) {
				t.Fatalf("%v", err)
			}
			if err := l.Resync(t.Context(), time.Second); err != nil {
				t.Fatal(err)
			}
			mustAsk(t, l, "Q?")
		})
	}
}

// A card that is not there, or that nothing sensible can be had from, ends a
// resync in its time and leaves the line out of step.
func TestNoResync(t *testing.T) {
	for name, on := range map[string]do{
		"silent":        func(*fake, string) {},
		"another pair":  func(c *fake, line string) { c.say(pairBut(line) + "\n") },
		"repeats lines": func(c *fake, line string) { c.say(line + "\n") },
		"chatters":      func(c *fake, line string) { c.say(markOf(line) + "\nready\n") },
	} {
		bubble(t, name, func(t *testing.T) {
			l, c := connect(t, Options{}, on)
			start := time.Now()
			err := l.Resync(t.Context(), time.Second)
			if took := time.Since(start); !errors.Is(err, ErrTimeout) || took != time.Second || l.InStep() {
				t.Fatalf("%v after %v, in step %v", err, took, l.InStep())
			}
			synctest.Wait()
			if len(c.seen) != tries {
				t.Errorf("asked %q", c.seen)
			}
		})
	}
}

// What is half in the card already does not spoil a resync.
func TestResyncAfterHalf(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, c := connect(t, Options{}, well)
		_, _ = l.stream.Write([]byte("VOLT 1"))
		if err := l.Resync(t.Context(), time.Second); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		if len(c.seen) != 2 || c.seen[0] != "VOLT 1" || !isMark(c.seen[1]) {
			t.Errorf("the card saw %q", c.seen)
		}
	})
}

// A pair is not used again for as long as an old answer could turn up.
func TestPairsDoNotRepeat(t *testing.T) {
	last := map[string]int{}
	for i := range 3 * pairs {
		_, back := newMark()
		var a, b int
		if n, _ := fmt.Sscanf(back, "%d;%d", &a, &b); n != 2 || a < 100 || a > 255 || b < 100 || b > 255 {
			t.Fatal(back)
		}
		if at, again := last[back]; again && i-at < pairs {
			t.Fatalf("%s again after %d", back, i-at)
		}
		last[back] = i
	}
}

// The card hangs up in the middle of an answer.
func TestHangUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, c := inStep(t, Options{Log: NewLog(1 << 16)}, onQ(func(c *fake, _ string) {
			c.say("A:")
			c.Close()
		}))
		_, err := l.Ask(t.Context(), "Q?", within)
		if !errors.Is(err, ErrClosed) {
			t.Fatal(err)
		}
		<-l.Done()
		<-c.gone
		for what, err := range map[string]error{
			"ended": l.Err(), "reason": l.Reason(), "tell": l.Tell(t.Context(), "X"),
			"resync": l.Resync(t.Context(), within), "urgent": l.Urgent(t.Context(), "X", within),
		} {
			if !errors.Is(err, ErrClosed) {
				t.Errorf("%s: %v", what, err)
			}
		}
		if _, err := l.Gather(t.Context(), "X", within); !errors.Is(err, ErrClosed) {
			t.Error(err)
		}
	})
}

package wire

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// reads is a card whose question READ? takes 10 s, which ABOR ends without an
// answer: what comes meanwhile waits its turn. The Line's peer must go on
// reading for that, as a card does.
func reads() do {
	var reading *time.Timer
	var mu sync.Mutex
	var waiting []string
	return func(c *fake, line string) {
		mu.Lock()
		defer mu.Unlock()
		finish := func() {
			reading = nil
			for _, w := range waiting {
				well(c, w)
			}
			waiting = nil
		}
		switch {
		case strings.HasPrefix(line, "ABOR"):
			if reading != nil && reading.Stop() {
				finish()
			}
		case reading != nil:
			waiting = append(waiting, line)
		case line == "READ?":
			reading = time.AfterFunc(10*time.Second, func() {
				mu.Lock()
				defer mu.Unlock()
				c.say("A:READ?\n")
				finish()
			})
		default:
			well(c, line)
		}
	}
}

// An urgent message ends the question under way at once; the line can be used
// right after it.
func TestUrgentCuts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, c := inStep(t, Options{}, reads())
		cut := make(chan error)
		go func() {
			_, err := l.Ask(t.Context(), "READ?", time.Minute)
			cut <- err
		}()
		synctest.Wait()
		// A second question waits for its turn, and must not be sent any more.
		go func() {
			_, err := l.Ask(t.Context(), "never?", time.Minute)
			cut <- err
		}()
		synctest.Wait()
		start := time.Now()
		if err := l.Urgent(t.Context(), "ABOR;*RST", time.Second); err != nil || time.Since(start) != 0 {
			t.Fatalf("%v after %v", err, time.Since(start))
		}
		for range 2 {
			if err := <-cut; !errors.Is(err, ErrCut) {
				t.Fatal(err)
			}
		}
		mustAsk(t, l, "Q?")
		if slices.Contains(c.seen, "never?") {
			t.Errorf("sent %q", c.seen)
		}
	})
}

// A card that does not heed ABOR answers the cut question first.
func TestUrgentToSlowCard(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, _ := inStep(t, Options{}, func(c *fake, line string) {
			if line == "READ?" {
				time.Sleep(300 * time.Millisecond)
			}
			well(c, line)
		})
		cut := make(chan error)
		go func() {
			_, err := l.Ask(t.Context(), "READ?", time.Minute)
			cut <- err
		}()
		time.Sleep(time.Millisecond)
		if err := l.Urgent(t.Context(), "*RST", time.Second); err != nil {
			t.Fatal(err)
		}
		if err := <-cut; !errors.Is(err, ErrCut) {
			t.Fatal(err)
		}
		mustAsk(t, l, "Q?")
		if _, late, _ := l.Counts(); late != 1 {
			t.Errorf("%d late", late)
		}
	})
}

// Urgent messages cut off a resync and a gathering, and wait for each other.
func TestUrgentAndOthers(t *testing.T) {
	mute := true
	card := func(c *fake, line string) {
		if !mute {
			well(c, line)
		}
	}
	for name, other := range map[string]func(*Line) error{
		"resync": func(l *Line) error { return l.Resync(context.Background(), time.Hour) },
		"gather": func(l *Line) error { _, err := l.Gather(context.Background(), "X", time.Hour); return err },
	} {
		bubble(t, name, func(t *testing.T) {
			mute = true
			l, c := connect(t, Options{}, card)
			cut := make(chan error)
			for range 2 { // the second waits for its turn
				go func() { cut <- other(l) }()
			}
			synctest.Wait()
			mute = false
			for range 3 {
				go func() { cut <- l.Urgent(context.Background(), "ABOR", time.Second) }()
			}
			wereCut := 0
			for range 5 {
				if err := <-cut; errors.Is(err, ErrCut) {
					wereCut++
				} else if err != nil {
					t.Fatal(err)
				}
			}
			if wereCut != 2 {
				t.Errorf("%d were cut off", wereCut)
			}
			mustAsk(t, l, "Q?")
			if n := len(slices.DeleteFunc(c.seen, func(s string) bool { return s != "ABOR" })); n != 3 {
				t.Errorf("%d urgent messages came", n)
			}
		})
	}
}

// What is half in the card already does not spoil an urgent message.
func TestUrgentAfterHalf(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, c := inStep(t, Options{}, well)
		_, _ = l.stream.Write([]byte("VOLT 1"))
		if err := l.Urgent(t.Context(), "ABOR", time.Second); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		if !slices.Equal(c.seen[1:3], []string{"VOLT 1", "ABOR"}) {
			t.Errorf("the card saw %q", c.seen)
		}
	})
}

// The context's end does not keep an urgent message back.
func TestUrgentAfterContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, c := inStep(t, Options{}, well)
		over, cancel := context.WithCancel(t.Context())
		cancel()
		if err := l.Urgent(over, "ABOR", time.Second); !errors.Is(err, context.Canceled) {
			t.Fatal(err)
		}
		synctest.Wait()
		if !slices.Contains(c.seen, "ABOR") || l.InStep() {
			t.Fatalf("%q, in step %v", c.seen, l.InStep())
		}
	})
}

// Nothing that was begun before an urgent message comes after it, whoever
// else is sending: after ABOR the card sees nothing but the resync until
// Urgent has returned.
func TestNothingAfterUrgent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, c := inStep(t, Options{}, well)
		var senders sync.WaitGroup
		stop := make(chan struct{})
		for n := range 4 {
			senders.Go(func() {
				for {
					select {
					case <-stop:
						return
					case <-time.After(time.Duration(n+1) * time.Microsecond):
					}
					if err := l.Tell(t.Context(), "ON"); err != nil && !errors.Is(err, ErrOutOfStep) {
						t.Error(err)
					}
					if _, err := l.Ask(t.Context(), fmt.Sprintf("S%d?", n), within); err != nil &&
						!errors.Is(err, ErrOutOfStep) && !errors.Is(err, ErrCut) {
						t.Error(err)
					}
				}
			})
		}
		for n := range 200 {
			time.Sleep(time.Duration(n) * time.Microsecond / 7)
			if err := l.Urgent(t.Context(), fmt.Sprintf("ABOR %d", n), time.Second); err != nil {
				t.Fatal(err)
			}
		}
		close(stop)
		senders.Wait()
		synctest.Wait()
		urgent, others := 0, 0
		for i, line := range c.seen {
			switch {
			case !strings.HasPrefix(line, "ABOR"):
				others++
			case i+1 < len(c.seen) && !isMark(c.seen[i+1]):
				t.Fatalf("after %q came %q", line, c.seen[i+1])
			default:
				urgent++
			}
		}
		if urgent != 200 || others < 1000 {
			t.Errorf("%d urgent messages and %d others came", urgent, others)
		}
	})
}

// A card that takes no bytes ends the line, for an urgent message too: there
// is no way to such a card.
func TestStuck(t *testing.T) {
	for name, send := range map[string]func(*Line) error{
		"tell":   func(l *Line) error { return l.Tell(t.Context(), "X") },
		"ask":    func(l *Line) error { _, err := l.Ask(t.Context(), "X?", time.Hour); return err },
		"urgent": func(l *Line) error { return l.Urgent(t.Context(), "X", time.Hour) },
	} {
		bubble(t, name, func(t *testing.T) {
			block := make(chan struct{})
			l, _ := inStep(t, Options{Timeout: 3 * time.Second}, func(c *fake, line string) {
				if line == "stop" {
					<-block
				}
				well(c, line)
			})
			if err := l.Tell(t.Context(), "stop"); err != nil {
				t.Fatal(err)
			}
			start := time.Now()
			err := send(l)
			if took := time.Since(start); !errors.Is(err, ErrClosed) || took != 3*time.Second {
				t.Errorf("%v after %v", err, took)
			}
			close(block)
		})
	}
}

// The end of a context ends a question, whose answer is then late.
func TestContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, c := inStep(t, Options{}, onQ(func(c *fake, line string) {
			time.Sleep(50 * time.Millisecond)
			well(c, line)
		}))
		over, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
		defer cancel()
		if _, err := l.Ask(over, "Q?", within); !errors.Is(err, context.DeadlineExceeded) || l.InStep() {
			t.Fatalf("%v, in step %v", err, l.InStep())
		}
		for what, err := range map[string]error{"tell": l.Tell(over, "never"), "resync": l.Resync(over, within)} {
			if !errors.Is(err, context.DeadlineExceeded) {
				t.Errorf("%s: %v", what, err)
			}
		}
		if err := l.Resync(t.Context(), time.Second); err != nil {
			t.Fatal(err)
		}
		mustAsk(t, l, "after?")
		if slices.Contains(c.seen, "never") {
			t.Error("sent after the end of its context")
		}
	})
}

// An answer that comes in the very moment in which its time is over is given
// or thrown away, and no other question's.
func TestLastMoment(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, _ := inStep(t, Options{}, onQ(func(c *fake, line string) {
			time.Sleep(within)
			well(c, line)
		}))
		given := 0
		for range 300 {
			over, cancel := context.WithTimeout(t.Context(), within)
			got, err := l.Ask(over, "Q?", within)
			cancel()
			if err == nil && got == "A:Q?" {
				given++
			} else if !errors.Is(err, ErrTimeout) && !errors.Is(err, context.DeadlineExceeded) {
				t.Fatalf("%q, %v", got, err)
			}
			if err := l.Resync(t.Context(), time.Second); err != nil {
				t.Fatal(err)
			}
			mustAsk(t, l, "after?")
		}
		t.Logf("%d of 300 were in time", given)
	})
}

// Close ends whatever is under way.
func TestCloseEnds(t *testing.T) {
	for name, wait := range map[string]func(*Line) error{
		"ask":    func(l *Line) error { _, err := l.Ask(context.Background(), "Q?", time.Hour); return err },
		"resync": func(l *Line) error { return l.Resync(context.Background(), time.Hour) },
		"gather": func(l *Line) error { _, err := l.Gather(context.Background(), "Q?", time.Hour); return err },
		"urgent": func(l *Line) error { return l.Urgent(context.Background(), "Q?", time.Hour) },
	} {
		bubble(t, name, func(t *testing.T) {
			mute := false
			l, _ := inStep(t, Options{}, func(c *fake, line string) {
				if !mute {
					well(c, line)
				}
			})
			mute = true
			ended := make(chan error)
			for range 2 { // the second waits for its turn, where it has to
				go func() { ended <- wait(l) }()
			}
			synctest.Wait()
			if err := l.Close(); err != nil {
				t.Fatal(err)
			}
			for range 2 {
				if err := <-ended; !errors.Is(err, ErrClosed) && !errors.Is(err, ErrCut) {
					t.Error(err)
				}
			}
		})
	}
}

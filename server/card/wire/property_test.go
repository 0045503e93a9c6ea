package wire

import (
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"
)

// mood is the behaviour of a moody card for one question.
type mood struct {
	Delay   time.Duration // before its answer
	Drop    bool          // it says nothing at all
	Merge   bool          // it says it together with its next answer
	Pieces  int           // in how many pieces it says it
	Between time.Duration // between two pieces
	Twice   bool
	Garble  int  // bytes that are replaced by others
	Half    bool // only the beginning of it
	Noise   int  // bytes without sense before it
	Banner  bool // it starts again: it forgets what it has not said
}

// moody is a fake card that answers in order, and in which nearly everything
// goes wrong. The answer to the question n is An and the checksum of n, so
// that one that was garbled into another's is known for what it is.
type moody struct {
	moods  []mood
	random *rand.Rand
	held   string
}

func (m *moody) do(c *fake, line string) {
	answer, asks := reply(line)
	if n, ok := strings.CutPrefix(strings.TrimSuffix(line, "?"), "Q"); ok {
		answer = fmt.Sprintf("A%s:%08x", n, crc32.ChecksumIEEE([]byte(n)))
	}
	if !asks {
		return
	}
	var x mood
	if len(m.moods) > 0 {
		x, m.moods = m.moods[0], m.moods[1:]
	}
	time.Sleep(x.Delay)
	if x.Banner {
		m.held = ""
		c.say("\r\nboot\r\n", "Card 1.", "2\r\nready\r\n")
		return
	}
	said := m.held + m.noise(x.Noise) + answer + "\n"
	if x.Twice {
		said += answer + "\n"
	}
	m.held = ""
	switch said = m.garble(said, x.Garble); {
	case x.Drop:
		return
	case x.Half:
		said = said[:m.random.IntN(len(said))]
	case x.Merge:
		m.held = said
		return
	}
	// The pieces of a last line alone: a line that comes after the answer and
	// apart from it may come when the next question has been asked, and that
	// is what a Line cannot tell.
	first := strings.LastIndexByte(strings.TrimSuffix(said, "\n"), '\n') + 1
	if first > 0 {
		x.Pieces = 1
	}
	for ; x.Pieces > 1 && len(said) > 1; x.Pieces-- {
		n := 1 + m.random.IntN(len(said)-1)
		c.say(said[:n])
		said = said[n:]
		time.Sleep(x.Between)
	}
	if said != "" {
		c.say(said)
	}
}

func (m *moody) noise(n int) string {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(m.random.Uint32())
	}
	return string(b)
}

func (m *moody) garble(said string, n int) string {
	b := []byte(said)
	for range n {
		b[m.random.IntN(len(b))] ^= 1 << m.random.IntN(8)
	}
	return string(b)
}

// drawMood draws what a card does; about half of the time it does it well.
func drawMood(t *rapid.T) mood {
	if rapid.Bool().Draw(t, "well") {
		return mood{Pieces: rapid.IntRange(1, 3).Draw(t, "pieces")}
	}
	some := func(name string) bool { return rapid.IntRange(0, 4).Draw(t, name) == 0 }
	x := mood{
		Delay:  time.Duration(rapid.IntRange(0, 3*int(within)).Draw(t, "delay")),
		Pieces: rapid.IntRange(1, 5).Draw(t, "pieces"), Between: time.Duration(rapid.IntRange(0, int(within)).Draw(t, "between")),
		Drop: some("drop"), Merge: some("merge"), Twice: some("twice"), Half: some("half"), Banner: some("banner"),
	}
	if some("garble") {
		x.Garble = rapid.IntRange(1, 3).Draw(t, "bytes")
	}
	if some("noise") {
		x.Noise = rapid.IntRange(1, 5).Draw(t, "noisy bytes")
	}
	return x
}

// No answer is ever given to another question, whatever a card that answers in
// order does to its answers, and the line is always brought back into step
// once the card does well.
//
//	go test ./server/card/wire -run NeverAnothers -rapid.checks 100000 -timeout 1h
func TestNeverAnothersAnswer(t *testing.T) {
	var questions, answers, cuts, timeouts, resyncs int
	rapid.Check(t, func(rt *rapid.T) {
		moods := rapid.SliceOfN(rapid.Custom(drawMood), 1, 40).Draw(rt, "moods")
		urgent := rapid.SliceOfN(rapid.IntRange(0, int(3*within)), 0, 5).Draw(rt, "urgent")
		seed := rapid.Uint64().Draw(rt, "seed")
		var wrong string
		synctest.Test(t, func(t *testing.T) {
			card := &moody{moods: moods, random: rand.New(rand.NewPCG(seed, 1))}
			l, _ := connect(t, Options{}, card.do)
			var others sync.WaitGroup
			others.Go(func() {
				for _, after := range urgent {
					time.Sleep(time.Duration(after))
					_ = l.Urgent(context.Background(), "ABOR", time.Second)
				}
			})
			for n := 0; n < 2*len(moods) && wrong == ""; n++ {
				questions++
				got, err := l.Ask(t.Context(), fmt.Sprintf("Q%d?", n), within)
				switch {
				case err == nil:
					answers++
					wrong = misgiven(got, n)
				case errors.Is(err, ErrTimeout):
					timeouts++
				case errors.Is(err, ErrCut):
					cuts++
				}
				if err != nil {
					resyncs++
					_ = l.Resync(t.Context(), time.Second) // may well fail
				}
			}
			others.Wait()
			// With its moods over, the card does well.
			time.Sleep(time.Minute)
			if err := l.Resync(t.Context(), time.Second); err != nil && wrong == "" && len(card.moods) == 0 {
				wrong = fmt.Sprintf("out of step with a good card: %v", err)
			}
		})
		if wrong != "" {
			rt.Fatal(wrong)
		}
	})
	t.Logf("%d questions, %d answers, %d timeouts, %d cut off, %d resyncs", questions, answers, timeouts, cuts, resyncs)
	// With -short there are too few draws to count on.
	if !testing.Short() && (answers < questions/10 || timeouts == 0 || cuts == 0) {
		t.Error("the card's moods leave too little to be seen")
	}
}

// misgiven returns what is wrong with an answer to the question n. One that
// was garbled is no other question's.
func misgiven(got string, n int) string {
	number, sum, _ := strings.Cut(strings.TrimPrefix(got, "A"), ":")
	if sum == fmt.Sprintf("%08x", crc32.ChecksumIEEE([]byte(number))) && number != strconv.Itoa(n) {
		return fmt.Sprintf("question %d was given %q", n, got)
	}
	var a, b int
	if k, _ := fmt.Sscanf(got, "%d;%d", &a, &b); k == 2 {
		return fmt.Sprintf("question %d was given a mark: %q", n, got)
	}
	return ""
}

package emulator

import (
	"errors"
	"io"
	"math"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/scpi"
)

// gather is what comes within a time, raw.
func (k *talker) gather(within time.Duration) string {
	k.t.Helper()
	conn := k.stream.(net.Conn)
	if err := conn.SetReadDeadline(time.Now().Add(within)); err != nil {
		k.t.Fatal(err)
	}
	defer func() { _ = conn.SetReadDeadline(time.Time{}) }()
	var b strings.Builder
	for {
		c, err := k.lines.ReadByte()
		if err != nil {
			return b.String()
		}
		b.WriteByte(c)
	}
}

// faulty runs a test with one fault ordered for one message: counted from
// after upAndOn has been carried out with an aperture of 1 ms.
func faulty(t *testing.T, o Order, f func(t *testing.T, c *Card, link *fakeLink, k *talker)) *Orders {
	t.Helper()
	orders := NewOrders(7)
	inBubble(t, Config{Orders: orders}, func(t *testing.T, c *Card, link *fakeLink, k *talker) {
		k.wants("*ESR?", "128")
		k.does(upAndOn + ";:SENS1:CURR:APER 1E-3")
		o.At = c.messages + 1
		orders.Add(o)
		f(t, c, link, k)
	})
	return orders
}

const answer = "2.0E+0,-0.0E+0,4,2.0E+0"

// faultTests is what a host sees of each kind of fault.
var faultTests = map[Kind]func(t *testing.T, c *Card, link *fakeLink, k *talker){
	Slow: func(t *testing.T, _ *Card, link *fakeLink, k *talker) {
		link.since()
		k.tell("READ?")
		time.Sleep(99 * time.Millisecond)
		synctest.Wait()
		if calls := link.since(); calls != nil {
			t.Errorf("carried out at once: %v", calls)
		}
		if got := k.line(); got != answer {
			t.Error(got)
		}
	},
	Freeze: func(t *testing.T, _ *Card, link *fakeLink, k *talker) {
		k.tell("READ?")
		time.Sleep(4 * time.Second)
		synctest.Wait()
		if link.safe() {
			t.Error("the watchdog of a frozen card works")
		}
		k.tell("ABOR;*RST") // drops what waits, but the one that is stuck is carried out
		began := time.Now()
		k.wants("OUTP1?;:SYST:ERR?", "0;"+noError)
		if took := time.Since(began); took != time.Second {
			t.Errorf("woke up after %v more", took)
		}
	},
	Late: func(t *testing.T, _ *Card, link *fakeLink, k *talker) {
		link.since()
		k.tell("READ?")
		time.Sleep(2 * time.Millisecond)
		synctest.Wait()
		if diff := cmp.Diff([]string{"read [1] 1ms"}, link.since()); diff != "" {
			t.Errorf("not carried out at once:\n%s", diff)
		}
		k.tell("OUTP1 OFF;OUTP1?") // carried out, and its answer waits behind
		synctest.Wait()
		if diff := cmp.Diff([]string{"output 1 false"}, link.since()); diff != "" {
			t.Errorf("what comes later is not carried out at once:\n%s", diff)
		}
		if got := k.gather(2900 * time.Millisecond); got != "" {
			t.Errorf("%q came early", got)
		}
		if got := k.gather(time.Second); got != answer+"\n0\n" {
			t.Errorf("%q came late", got)
		}
	},
	Silent: func(t *testing.T, _ *Card, link *fakeLink, k *talker) {
		link.since()
		k.tell("READ?")
		k.wants("*OPC?", "1")
		if diff := cmp.Diff([]string{"read [1] 1ms"}, link.since()); diff != "" {
			t.Errorf("not carried out:\n%s", diff)
		}
	},
	Split: func(t *testing.T, _ *Card, _ *fakeLink, k *talker) {
		k.tell("READ?")
		buf := make([]byte, 100)
		var sizes []int
		for sum := 0; sum <= len(answer); {
			n, err := k.stream.Read(buf)
			if err != nil {
				t.Fatal(err)
			}
			sum += n
			sizes = append(sizes, n)
		}
		if diff := cmp.Diff([]int{7, 7, 7, 3}, sizes); diff != "" {
			t.Errorf("pieces:\n%s", diff)
		}
	},
	CRLF: func(t *testing.T, _ *Card, _ *fakeLink, k *talker) {
		k.tell("READ?")
		if got := k.gather(time.Second); got != answer+"\r\n" {
			t.Errorf("%q", got)
		}
	},
	Garbled: func(t *testing.T, _ *Card, _ *fakeLink, k *talker) {
		got := k.ask("READ?")
		if len(got) != len(answer) || got == answer || !strings.ContainsFunc(got, notText) {
			t.Errorf("%q", got)
		}
	},
	Noise: func(t *testing.T, _ *Card, _ *fakeLink, k *talker) {
		got := k.ask("READ?")
		kept := strings.Map(func(r rune) rune {
			if r < ' ' || r > '~' {
				return -1
			}
			return r
		}, strings.ToValidUTF8(got, ""))
		if len(got) <= len(answer) || kept != answer {
			t.Errorf("%q", got)
		}
	},
	Half: func(t *testing.T, _ *Card, _ *fakeLink, k *talker) {
		k.tell("READ?")
		if got := k.gather(time.Second); got != answer[:12] {
			t.Errorf("%q", got)
		}
	},
	Merged: func(t *testing.T, _ *Card, _ *fakeLink, k *talker) {
		k.tell("READ?")
		k.wants("*OPC?", answer+"1")
	},
	Echo: func(t *testing.T, _ *Card, _ *fakeLink, k *talker) {
		k.wants("READ?", "READ?")
		if got := k.line(); got != answer {
			t.Errorf("%q", got)
		}
	},
	Unsolicited: func(t *testing.T, _ *Card, _ *fakeLink, k *talker) {
		k.wants("READ?", unsolicited)
		if got := k.line(); got != answer {
			t.Errorf("%q", got)
		}
	},
	Wrong: func(t *testing.T, _ *Card, _ *fakeLink, k *talker) { k.wants("READ?", "2.0E+0,-0.0E+0,4") },
	NaN:   func(t *testing.T, _ *Card, _ *fakeLink, k *talker) { k.wants("READ?", "9.91E+37,9.91E+37,4,2.0E+0") },
	OutOfRange: func(t *testing.T, _ *Card, _ *fakeLink, k *talker) {
		k.wants("READ?", "1.002E+3,1.0E+3,4,2.0E+0")
	},
	Digits: func(t *testing.T, _ *Card, _ *fakeLink, k *talker) {
		got, others := k.ask("READ?"), 0
		if len(got) != len(answer) {
			t.Fatalf("%q", got)
		}
		for i := range got {
			if got[i] != answer[i] {
				others++
			}
		}
		if others != 1 || strings.ContainsFunc(got, notText) {
			t.Errorf("%q", got)
		}
	},
	Trip: func(t *testing.T, _ *Card, link *fakeLink, k *talker) {
		k.wants("READ?", "0.0E+0,0.0E+0,8,0.0E+0")
		k.wants("OUTP1?;:SOUR1:CURR:PROT:TRIP?;:SYST:ERR?", `0;1;-240,"Hardware error;trip of channel 1"`)
		if _, on, _ := link.state(); on[1] {
			t.Error("the link's output is still on")
		}
		k.refuses("OUTP1 ON", conflict)
	},
	Watchdog: func(t *testing.T, _ *Card, link *fakeLink, k *talker) {
		k.wants("READ?", "0.0E+0,0.0E+0,8,0.0E+0")
		k.wants("ROUT:CLOS:STAT?;:SYST:ERR?", `(@);-365,"Time out error;watchdog"`)
		if !link.safe() {
			t.Error("not safe")
		}
	},
	Meddle: func(t *testing.T, _ *Card, link *fakeLink, k *talker) {
		got := k.ask("READ?")
		if got != "1.0E+0,-0.0E+0,4,1.0E+0" && got != "0.0E+0,0.0E+0,0,2.0E+0" {
			t.Errorf("%q", got)
		}
		k.wants("SYST:ERR?;:SOUR:CURR:PROT:TRIP?", noError+";0")
	},
	Reboot: func(t *testing.T, c *Card, link *fakeLink, k *talker) {
		k.tell("READ?")
		synctest.Wait()
		if !link.safe() {
			t.Error("not safe at once")
		}
		k.tell("*ESE 5") // lost: the card is starting
		if got := k.gather(200 * time.Millisecond); got != banner {
			t.Errorf("%q", got)
		}
		k.wants("*ESR?;*ESE?;:SENS1:CURR:PROT?;APER?", "128;0;0.0E+0;2.0E-2")
	},
	HangUp: func(t *testing.T, c *Card, link *fakeLink, k *talker) {
		link.since()
		k.tell("READ?")
		if b, err := k.lines.ReadByte(); !errors.Is(err, io.EOF) {
			t.Errorf("%q, %v came instead of the end", b, err)
		}
		if calls := link.since(); calls != nil || link.safe() {
			t.Errorf("more than a cut: %v", calls)
		}
		time.Sleep(2 * time.Second)
		synctest.Wait()
		if !link.safe() {
			t.Error("the watchdog did not do what was left to do")
		}
	},
	PowerCut: func(t *testing.T, c *Card, link *fakeLink, k *talker) {
		k.tell("READ?")
		if b, err := k.lines.ReadByte(); !errors.Is(err, io.EOF) || !link.safe() {
			t.Errorf("%q, %v came instead of the end, safe %v", b, err, link.safe())
		}
		synctest.Wait()
		if _, end := talkUntil(t, t.Context(), c); !errors.Is(end(), ErrTaken) {
			t.Error("a card without power serves")
		}
		time.Sleep(50 * time.Millisecond)
		again, end := talkUntil(t, t.Context(), c)
		again.wants("*ESR?", "128")
		_ = again.stream.Close()
		if err := end(); err != nil {
			t.Error(err)
		}
	},
}

// Every kind of fault does what it says, once, and is noted.
func TestEveryFault(t *testing.T) {
	for _, d := range Kinds() {
		t.Run(string(d.Kind), func(t *testing.T) {
			test := faultTests[d.Kind]
			if test == nil {
				t.Fatal("not tested")
			}
			orders := faulty(t, Order{Kind: d.Kind}, test)
			got := orders.Injected()
			if len(got) != 1 || got[0].Kind != d.Kind || got[0].Message != "READ?" {
				t.Errorf("injected: %+v", got)
			}
		})
	}
}

func notText(r rune) bool { return r < ' ' || r > '~' }

// A fault waits for a message that it can happen at.
func TestOrdersWaitForTheirMessage(t *testing.T) {
	orders := NewOrders(1, Order{Kind: NaN, At: 1}, Order{Kind: Trip, At: 1}, Order{Kind: Silent, At: 1}, Order{Kind: Late, At: 9})
	inBubble(t, Config{Orders: orders}, func(t *testing.T, _ *Card, _ *fakeLink, k *talker) {
		k.tell("*ESE 1")
		k.tell("*IDN?") // silent
		k.tell("READ? (@99)")
		k.wants("SYST:ERR?;*ESE?", range222+";1")
		k.wants("READ?", "9.91E+37,9.91E+37,0,0.0E+0")
		k.refuses(upAndOn, `-240,"Hardware error;trip of channel 1"`) // once an output is on
	})
	want := []Injected{{2, Silent, "*IDN?"}, {5, NaN, "READ?"}, {7, Trip, "SYST:ERR?"}}
	if diff := cmp.Diff(want, orders.Injected()); diff != "" {
		t.Error(diff)
	}
}

// The same seed has the same faults happen; a function decides before.
func TestOrdersByChance(t *testing.T) {
	run := func(seed uint64) []Injected {
		orders := NewOrders(seed, Order{Kind: Silent, Chance: 0.1}, Order{Kind: CRLF, Chance: 0.2})
		orders.Func(func(n int, message string) (Order, bool) { return Order{Kind: Slow}, n == 50 })
		inBubble(t, Config{Orders: orders}, func(t *testing.T, _ *Card, _ *fakeLink, k *talker) {
			for range 400 {
				k.tell("*OPC?")
				k.gather(time.Second)
			}
		})
		return orders.Injected()
	}
	a, b, other := run(1), run(1), run(2)
	if !cmp.Equal(a, b) || cmp.Equal(a, other) {
		t.Error("the seed does not decide")
	}
	count := map[Kind]int{}
	for _, x := range a {
		count[x.Kind]++
		if x.Kind == Slow && x.N != 50 {
			t.Errorf("%+v", x)
		}
	}
	// Of 400: 40 ± 4 standard deviations of 6, and 0.9 × 80 ± 4 of 7.7.
	if count[Slow] != 1 || math.Abs(float64(count[Silent])-40) > 24 || math.Abs(float64(count[CRLF])-72) > 31 {
		t.Errorf("%v of 400", count)
	}
}

func TestParseOrder(t *testing.T) {
	for text, want := range map[string]Order{
		"slow@5":           {Kind: Slow, At: 5},
		"late:1.5s@7":      {Kind: Late, At: 7, Delay: 1500 * time.Millisecond},
		"nan%2.5":          {Kind: NaN, Chance: 0.025},
		"freeze:300ms%100": {Kind: Freeze, Chance: 1, Delay: 300 * time.Millisecond},
	} {
		if got, err := ParseOrder(text); err != nil || got != want {
			t.Errorf("%s: %+v, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "slow", "slow@", "slow@0", "slow@-1", "slow%0", "slow%101", "slow%NaN", "slow:x@1", "slow:-1s@1", "none@1", "@1", "slow@1@2"} {
		if o, err := ParseOrder(text); !errors.Is(err, ErrOrder) {
			t.Errorf("%q: %+v, %v", text, o, err)
		}
	}
	if _, err := New(Config{Link: newFakeLink(bench.Definition{}), Orders: NewOrders(1, Order{Kind: "none", At: 1})}); err == nil {
		t.Error("a card takes orders that there are not")
	}
}

func FuzzParseOrder(f *testing.F) {
	for _, s := range []string{"slow@5", "late:1.5s@7", "nan%2.5", "freeze:300ms%100", ":@1", "%"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		o, err := ParseOrder(s)
		if err == nil && (o.check() != nil || o.At == 0 && o.Chance == 0 || o.Delay < 0) {
			t.Errorf("%q is taken as %+v", s, o)
		}
	})
}

// An answer to READ? with several channels, and one with other answers behind.
func TestSpoiledReadings(t *testing.T) {
	line := "1.0E+0,2.0E-3,4,1.0E+0,-3.0E+0,0.0E+0,5,-3.0E+0;17"
	if got := replaced(line, func(float64) float64 { return nan }); got != "9.91E+37,9.91E+37,4,1.0E+0,9.91E+37,9.91E+37,5,-3.0E+0;17" {
		t.Error(got)
	}
	fields := strings.Split(replaced(line, func(v float64) float64 { return v + beyond }), ",")
	for _, j := range []int{0, 1, 4, 5} {
		if v, err := scpi.ParseNumber(fields[j]); err != nil || v < 900 {
			t.Errorf("field %d: %v, %v", j, v, err)
		}
	}
	if got := miscount("0"); got != "0,0" {
		t.Error(got)
	}
}

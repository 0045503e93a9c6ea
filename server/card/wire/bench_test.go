package wire

import (
	"bytes"
	"context"
	"net"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
)

const (
	benchQuestion = "READ? (@1,2)"
	benchAnswer   = "1.2000000000000002,-3.3333333333333337E-06,4,1.2,0.5,1.0000000000000001E-09,4,0.5"
)

// sayer answers every line that ends with a question's mark or a parenthesis
// with benchAnswer, and a resync as a card does, with as little work as there
// can be.
func sayer(b *testing.B) string {
	b.Helper()
	at, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { at.Close() })
	go func() {
		for {
			c, err := at.Accept()
			if err != nil {
				return
			}
			go say(c)
		}
	}()
	return at.Addr().String()
}

func say(c net.Conn) {
	defer c.Close()
	buf, answer := make([]byte, 4096), []byte(benchAnswer+"\n")
	for {
		n, err := c.Read(buf)
		if err != nil {
			return
		}
		back := answer
		if bytes.HasPrefix(buf[:n], []byte("\n*ESE")) {
			text, _ := reply(string(bytes.TrimSpace(buf[:n])))
			back = []byte(text + "\n")
		}
		if _, err := c.Write(back); err != nil {
			return
		}
	}
}

// BenchmarkAsk asks over loopback TCP, in turn through a Line with a log and
// by writing and reading the same bytes: added-ns/op is what the Line costs.
//
//	go test ./server/card/wire -run xxx -bench Ask
func BenchmarkAsk(b *testing.B) {
	dial := DialerOf(bench.Address{Network: "tcp", Place: sayer(b)})
	bare, err := dial(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	defer bare.Close()
	stream, err := dial(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	l := NewLine(stream, Options{Connection: "bench", Log: NewLog(1 << 20)})
	defer l.Close()
	if err := l.Resync(b.Context(), time.Second); err != nil {
		b.Fatal(err)
	}
	question, buf := []byte(benchQuestion+"\n"), make([]byte, 4096)
	var asked, echoed time.Duration
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	b.ReportAllocs()
	for b.Loop() {
		start := time.Now()
		if _, err := bare.Write(question); err != nil {
			b.Fatal(err)
		}
		for n := 0; n == 0 || buf[n-1] != '\n'; {
			m, err := bare.Read(buf[n:])
			if err != nil {
				b.Fatal(err)
			}
			n += m
		}
		middle := time.Now()
		if got, err := l.Ask(ctx, benchQuestion, time.Second); err != nil || got != benchAnswer {
			b.Fatal(got, err)
		}
		echoed += middle.Sub(start)
		asked += time.Since(middle)
	}
	n := float64(b.N)
	b.ReportMetric(float64(asked)/n, "ask-ns/op")
	b.ReportMetric(float64(echoed)/n, "bare-ns/op")
	b.ReportMetric(float64(asked-echoed)/n, "added-ns/op")
}

func BenchmarkLogAdd(b *testing.B) {
	log, said := NewLog(1<<20), []byte(benchAnswer+"\n")
	b.ReportAllocs()
	for b.Loop() {
		log.Add("left card", cardinfo.In, said)
	}
}

// BenchmarkLogRecent reads what a page shows that looks ten times a second
// while a thousand exchanges are carried out.
func BenchmarkLogRecent(b *testing.B) {
	log, said := NewLog(1<<20), []byte(benchAnswer+"\n")
	for range 100_000 {
		log.Add("left card", cardinfo.In, said)
	}
	b.ReportAllocs()
	for b.Loop() {
		if got := log.Recent(log.Last()-200, 200); len(got) != 200 {
			b.Fatal(len(got))
		}
	}
}

package scpi

import "testing"

// What a host and a card do for each reading. About a microsecond each.
//
//	go test ./server/card/scpi -run xxx -bench .

const (
	aMessage = ":SOUR1:FUNC:MODE VOLT;:SOUR1:VOLT:RANG 6;:SOUR1:VOLT 3.3E+0;:SENS1:CURR:RANG 1E-2;:SENS1:CURR:PROT 1E-2"
	aLevel   = "SOUR2:VOLT -1.2345678901234567E-3"
	aRead    = "READ? (@1,2)"
	anAnswer = "3.3001234567890123E+0,1.2512345678901234E-6,4,3.3E+0,-2.0123456789012345E-5,0.0E+0,0,0.0E+0"
)

func parse(tb testing.TB, p *Parser, message string) {
	for p.Start(message); p.Next(); {
	}
	if p.Err() != nil {
		tb.Fatal(p.Err())
	}
}

func benchmarkParse(b *testing.B, message string) {
	p := NewParser(testTree(b))
	b.ReportAllocs()
	for b.Loop() {
		parse(b, p, message)
	}
}

func BenchmarkParseSettings(b *testing.B) { benchmarkParse(b, aMessage) }
func BenchmarkParseLevel(b *testing.B)    { benchmarkParse(b, aLevel) }
func BenchmarkParseRead(b *testing.B)     { benchmarkParse(b, aRead) }

// readAnswer reads the values of a reading's answer.
func readAnswer(tb testing.TB, line string) float64 {
	var room [16]string
	values, err := SplitAnswer(room[:0], line)
	if err != nil {
		tb.Fatal(err)
	}
	sum := 0.0
	for _, v := range values {
		x, err := ParseNumber(v)
		if err != nil {
			tb.Fatal(err)
		}
		sum += x
	}
	return sum
}

func BenchmarkReadAnswer(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		readAnswer(b, anAnswer)
	}
}

func BenchmarkWriteAnswer(b *testing.B) {
	b.ReportAllocs()
	var dst []byte
	for b.Loop() {
		dst = dst[:0]
		for range 4 {
			dst = AppendNR3(append(dst, ','), 3.3001234567890123)
		}
	}
}

// TestAllocations: a message and an answer are read, and an answer written,
// without asking for memory.
func TestAllocations(t *testing.T) {
	p := NewParser(testTree(t))
	dst := make([]byte, 0, 256)
	for name, f := range map[string]func(){
		"settings": func() { parse(t, p, aMessage) },
		"read":     func() { parse(t, p, aRead) },
		"answer":   func() { readAnswer(t, anAnswer) },
		"unit":     func() { parse(t, p, "SENS1:CURR:PROT 10 MA") },
		"written":  func() { dst = AppendNR3(dst[:0], 1.2512345678901234e-6) },
	} {
		if n := testing.AllocsPerRun(100, f); n > 0 {
			t.Errorf("%s: %v allocations", name, n)
		}
	}
}

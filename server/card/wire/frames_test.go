package wire

import (
	"bytes"
	"errors"
	"strings"
	"testing"
)

// pieces cuts data as cuts says: each of its bytes is the length of a piece,
// less one; the last is the rest.
func pieces(data, cuts []byte) [][]byte {
	var out [][]byte
	for _, c := range cuts {
		if n := int(c) + 1; n < len(data) {
			out, data = append(out, data[:n]), data[n:]
		}
	}
	return append(out, data)
}

// plainly is what frames should find, worked out from the whole at once: the
// lines in order, "" for one that is garbled, and whether one is under way.
func plainly(data []byte) (lines []string, underWay bool) {
	all := strings.Split(string(data), "\n")
	for i, line := range all {
		last := i == len(all)-1
		text := strings.Trim(line, "\r")
		bad := len(text) > maxLine
		for _, r := range []byte(text) {
			// A CR that is followed by text is seen for what it is at the end.
			bad = bad || r < ' ' && r != '\t' && (!last || r != '\r') || r > '~'
		}
		switch {
		case bad:
			lines = append(lines, "")
		case text != "" && !last:
			lines = append(lines, text)
		}
		if last {
			underWay = text != ""
		}
	}
	return lines, underWay
}

// framed is what frames finds in pieces.
func framed(in [][]byte) (lines []string, underWay bool) {
	var f frames
	for _, p := range in {
		for len(p) > 0 {
			var found piece
			var line []byte
			switch found, line, p = f.next(p); found {
			case whole:
				lines = append(lines, string(line))
			case garbled:
				lines = append(lines, "")
			}
		}
	}
	return lines, f.underWay()
}

// unasked is a line that is in step and in which nobody has asked anything.
func unasked() *Line {
	return &Line{came: make(chan outcome, 1)}
}

// FuzzFrames: whatever comes, in whatever pieces, gives the lines that are in
// it; nothing is given to who has not asked; and who has asked is given the
// first line or nothing.
//
//	go test ./server/card/wire -run xxx -fuzz FuzzFrames -fuzztime 10m -fuzzminimizetime 100x
func FuzzFrames(f *testing.F) {
	for _, seed := range []string{
		"", "\n", "\r\n\r\n", "1.5,2E-3,4,1\n", "half", "a\nb\nc", "a\r\n\rb\r\r\n", "a\rb\n", "a\r", "\x00\xff\nok\n",
		"ok\n\x80", "123;145\n", "123;145\nrea", "123;145\n\xff\n", "123;145\nready\n", "tab\there\n", strings.Repeat("x", 300) + "\n",
	} {
		f.Add([]byte(seed), []byte{})
		f.Add([]byte(seed), []byte{0, 0, 0, 0})
		f.Add([]byte(seed), []byte{2})
	}
	f.Fuzz(func(t *testing.T, data, cuts []byte) {
		in := pieces(data, cuts)
		got, gotPart := framed(in)
		want, wantPart := plainly(data)
		// A line under way that ends in CRs and text alone is not garbled yet,
		// in the one and in the other.
		if strings.Join(got, "\n") != strings.Join(want, "\n") || len(got) != len(want) || gotPart != wantPart {
			t.Fatalf("%q in %q:\n%q, under way %v; not\n%q, under way %v", data, in, got, gotPart, want, wantPart)
		}
		idle(t, in, len(want) > 0 || wantPart)
		asked(t, in, want)
		resyncing(t, in, want, wantPart)
	})
}

// idle checks what comes while nobody has asked: it is given to nobody, and
// any text puts the line out of step.
func idle(t *testing.T, in [][]byte, text bool) {
	l := unasked()
	for _, p := range in {
		l.take(p)
	}
	if len(l.came) > 0 {
		t.Fatalf("%q: nobody asked for %q", in, (<-l.came).text)
	}
	if (l.step != nil) != text {
		t.Fatalf("%q: out of step: %v", in, l.step)
	}
}

// asked checks what comes while an answer is due.
func asked(t *testing.T, in [][]byte, want []string) {
	l := unasked()
	l.listen = answer
	for _, p := range in {
		l.take(p)
	}
	if len(l.came) == 0 {
		if len(want) > 0 {
			t.Fatalf("%q: nothing came of it", in)
		}
		return
	}
	o := <-l.came
	switch {
	case o.err != nil && o.text != "" || o.err == nil && (len(want) == 0 || o.text != want[0] || o.text == ""):
		t.Fatalf("%q: given %q, %v", in, o.text, o.err)
	case o.err != nil && l.step == nil:
		t.Fatalf("%q: in step after %v", in, o.err)
	case o.err == nil && len(want) > 1 && l.step == nil:
		t.Fatalf("%q: in step after more than one line", in)
	}
}

// resyncing checks what comes during a resync: only the mark brings the line
// into step, and nothing is given to anybody.
func resyncing(t *testing.T, in [][]byte, want []string, underWay bool) {
	l := unasked()
	l.listen, l.step, l.mark.back = marks, errResync, "123;145"
	for _, p := range in {
		l.take(p)
	}
	marked := false
	for _, line := range want {
		marked = marked || matches([]byte(line), l.mark.back)
	}
	if len(l.came) > 0 && !marked {
		t.Fatalf("%q: brought into step", in)
	}
	if l.step == nil && (underWay || !matches([]byte(want[len(want)-1]), l.mark.back)) {
		t.Fatalf("%q: in step after something else", in)
	}
	if len(l.came) > 0 {
		if o := <-l.came; o != (outcome{}) {
			t.Fatalf("%q: given %q, %v", in, o.text, o.err)
		}
	}
}

func TestLineLength(t *testing.T) {
	for n, want := range map[int]error{maxLine: nil, maxLine + 1: ErrGarbled} {
		for _, size := range []int{n + 1, 1000, maxLine / 2} {
			l := unasked()
			l.listen = answer
			for rest := append(bytes.Repeat([]byte("x"), n), '\n'); len(rest) > 0; {
				m := min(size, len(rest))
				l.take(rest[:m])
				rest = rest[m:]
			}
			if o := <-l.came; !errors.Is(o.err, want) || want == nil && len(o.text) != n {
				t.Errorf("%d bytes in pieces of %d: %d, %v", n, size, len(o.text), o.err)
			}
		}
	}
}

package emulator

import (
	"math"
	"math/rand/v2"
	"strings"
	"time"

	"ohmkeep/server/card/scpi"
)

// beyond is added to a reading to put it out of every range a bench may have.
const beyond = 1000.0 // V, A

var nan = math.NaN()

// piece is the number of bytes of a split answer that come together.
const piece = 7

// pieces cuts a line into chunks with a pause between them.
func pieces(line string, f fault) []chunk {
	var out []chunk
	after := time.Duration(0)
	for line != "" {
		n := min(piece, len(line))
		out = append(out, chunk{after: after, bytes: []byte(line[:n])})
		line, after = line[n:], f.delay()
	}
	return out
}

// miscount takes a field away, or adds one where there is only one.
func miscount(line string) string {
	if i := strings.LastIndexByte(line, ','); i >= 0 {
		return line[:i]
	}
	return line + ",0"
}

// replaced changes volts and amperes of every reading in an answer to READ?.
func replaced(line string, f func(float64) float64) string {
	reading, rest, more := strings.Cut(line, ";")
	fields := strings.Split(reading, ",")
	for k := 0; k+3 < len(fields); k += 4 {
		for j := k; j < k+2; j++ {
			if v, err := scpi.ParseNumber(fields[j]); err == nil {
				fields[j] = scpi.FormatNR3(f(v))
			}
		}
	}
	line = strings.Join(fields, ",")
	if more {
		line += ";" + rest
	}
	return line
}

// junk is a byte that is no text.
func junk(r *rand.Rand) byte { return byte(0x80 + r.IntN(0x80)) }

// garbled changes one to three bytes to what is no text.
func garbled(line string, r *rand.Rand) string {
	b := []byte(line)
	for range 1 + r.IntN(3) {
		b[r.IntN(len(b))] = junk(r)
	}
	return string(b)
}

// noisy puts one to eight bytes that are no text somewhere into a line.
func noisy(line string, r *rand.Rand) string {
	var noise []byte
	for range 1 + r.IntN(8) {
		noise = append(noise, junk(r))
	}
	i := r.IntN(len(line) + 1)
	return line[:i] + string(noise) + line[i:]
}

// misdigit makes one digit another.
func misdigit(line string, r *rand.Rand) (string, bool) {
	var at []int
	for i := range len(line) {
		if line[i] >= '0' && line[i] <= '9' {
			at = append(at, i)
		}
	}
	if len(at) == 0 {
		return "", false
	}
	b := []byte(line)
	i := at[r.IntN(len(at))]
	b[i] = '0' + (b[i]-'0'+1+byte(r.IntN(9)))%10
	return string(b), true
}

package firmware

import (
	"bytes"
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// numbers runs lines through testdata/numbers.cpp.
func numbers(t *testing.T, kind string, lines []string) []string {
	t.Helper()
	path := program(t, "numbers-"+kind, "-std=c++11", "-O1", "-DCARD_REAL="+kind, filepath.Join("skeleton", "number.cpp"), filepath.Join("testdata", "numbers.cpp"))
	cmd := exec.CommandContext(t.Context(), path)
	cmd.Stdin = strings.NewReader(strings.Join(lines, "\n") + "\n")
	var errors bytes.Buffer
	cmd.Stderr = &errors
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, errors.String())
	}
	answers := strings.Split(strings.TrimSuffix(string(out), "\n"), "\n")
	if len(answers) != len(lines) {
		t.Fatalf("%d answers to %d lines", len(answers), len(lines))
	}
	return answers
}

// nr3 writes a number as the card does, by way of the Go library, which is
// exact: digits -1 is the fewest that read back the same.
func nr3(x float64, digits, bits int) string {
	if digits > 0 {
		digits-- // those behind the point
	}
	mantissa, exponent, _ := strings.Cut(strconv.FormatFloat(x, 'E', digits, bits), "E")
	if strings.Contains(mantissa, ".") && digits >= 0 {
		mantissa = strings.TrimRight(mantissa, "0")
		mantissa = strings.TrimSuffix(mantissa, ".")
	}
	if !strings.Contains(mantissa, ".") {
		mantissa += ".0"
	}
	n, err := strconv.Atoi(exponent)
	if err != nil {
		panic(err)
	}
	return fmt.Sprintf("%sE%+d", mantissa, n)
}

// equallyNear holds that two texts of the same length are as far from x: either
// may be written.
func equallyNear(got, want string, x float64) bool {
	a, okA := new(big.Rat).SetString(got)
	b, okB := new(big.Rat).SetString(want)
	if !okA || !okB || len(got) != len(want) {
		return false
	}
	exact := new(big.Rat).SetFloat64(x)
	return a.Sub(a, exact).Abs(a).Cmp(b.Sub(b, exact).Abs(b)) == 0
}

// special are numbers that go wrong first: powers of two and ten and their
// neighbours, ties, the ends.
func special(bits int) []float64 {
	xs := []float64{0, 9.9e37, 5e-324, 1, 1.5, 9007199254740993, 0.1, 0.3, 1e-3, 123456789012345678, 9.999999999e9, 99999.99995}
	largest, smallest := math.MaxFloat64, 0x1p-1022
	if bits == 32 {
		largest, smallest = math.MaxFloat32, 0x1p-126
	}
	for p := -1020; p < 1020; p += 3 {
		xs = append(xs, math.Ldexp(1, p))
	}
	for p := -300; p < 300; p++ {
		xs = append(xs, math.Pow10(p))
	}
	xs = append(xs, largest, smallest)
	var out []float64
	for _, x := range xs {
		for _, y := range []float64{x, math.Nextafter(x, 0), math.Nextafter(x, math.Inf(1))} {
			if bits == 32 {
				y = float64(float32(y))
			}
			if y == 0 || y >= smallest && y <= largest {
				out = append(out, y, -y)
			}
		}
	}
	return out
}

// TestNumbersWritten holds that a number is written as the Go library writes
// it: the fewest digits that read back the same, or nine digits, rounded.
func TestNumbersWritten(t *testing.T) {
	t.Parallel()
	for _, kind := range []string{"double", "float"} {
		bits := map[string]int{"double": 64, "float": 32}[kind]
		xs := special(bits)
		random := rand.New(rand.NewPCG(1, 2))
		for len(xs) < 40_000 {
			x := math.Float64frombits(random.Uint64())
			if bits == 32 {
				x = float64(math.Float32frombits(uint32(random.Uint64())))
			}
			if random.IntN(2) == 0 { // as they are measured
				x = math.Ldexp(random.Float64()-0.5, -random.IntN(40))
			}
			if bits == 32 {
				x = float64(float32(x))
			}
			if m := math.Abs(x); m < 1.2e-38 && bits == 32 || m < 0x1p-1022 || math.IsNaN(x) || math.IsInf(x, 0) {
				continue
			}
			xs = append(xs, x)
		}
		var lines []string
		for _, x := range xs {
			pattern := math.Float64bits(x)
			if bits == 32 {
				pattern = uint64(math.Float32bits(float32(x)))
			}
			lines = append(lines, fmt.Sprintf("w %x", pattern), fmt.Sprintf("w9 %x", pattern))
		}
		wrong := 0
		for i, got := range numbers(t, kind, lines) {
			x := xs[i/2]
			want := nr3(math.Abs(x), -1, bits)
			if i%2 == 1 && len(want) > 0 {
				// With nine digits at most: the shortest where it has fewer.
				if mantissa, _, _ := strings.Cut(want, "E"); len(mantissa) > 10 {
					want = nr3(math.Abs(x), 9, 64)
				}
			}
			if x < 0 {
				want = "-" + want
			}
			if got != want && !equallyNear(got, want, x) {
				if wrong++; wrong < 10 {
					t.Errorf("%s: %v is written %s, not %s (%s)", kind, x, got, want, lines[i])
				}
			}
		}
		t.Logf("%s: %d numbers, %d wrong", kind, len(lines), wrong)
	}
	for i, got := range numbers(t, "double", []string{"w 7ff0000000000000", "w fff0000000000000", "w 7ff8000000000001"}) {
		if want := []string{"9.9E+37", "-9.9E+37", "9.91E+37"}[i]; got != want {
			t.Errorf("%s, not %s", got, want)
		}
	}
}

// texts are numbers as hosts write them, and worse.
func texts() []string {
	out := []string{
		"0", "-0", "+1", ".5", "5.", "1e3", "1E+3", "1 E 3", "1e-3", "00001.25", "1.25E-03", "9.9E37", "9.91E37", "2.5E-9",
		"9007199254740993", "9007199254740992.9999999999999999999999999999", "9007199254740993.00000000000000000000000001",
		"1e309", "1e308", "1e-307", "1e-320", "1e-400", "1.7976931348623157e308", "1.7976931348623159e308",
		"3.4028235e38", "3.4028236e38", "16777217", "16777217.0000000000001", "1e32000", "1e-32000",
		strings.Repeat("1", 200), "0." + strings.Repeat("0", 300) + "123", strings.Repeat("9", 255) + "e-250",
	}
	random := rand.New(rand.NewPCG(3, 4))
	for range 40_000 {
		var b strings.Builder
		for range 1 + random.IntN(22) {
			b.WriteByte(byte('0' + random.IntN(10)))
		}
		text := b.String()
		at := random.IntN(len(text) + 1)
		out = append(out, fmt.Sprintf("%s.%se%d", text[:at], text[at:], random.IntN(80)-60))
	}
	for range 2_000 { // the middle between two neighbours, exactly
		x := math.Abs(math.Ldexp(random.Float64(), random.IntN(90)-45))
		low := strconv.FormatFloat(math.Nextafter(x, 0), 'f', -1, 64)
		out = append(out, low, low+"5", strconv.FormatFloat(x, 'E', 40, 64))
	}
	return out
}

// TestNumbersRead holds that a number is read as the Go library reads it: the
// nearest, the even one of two. Below the smallest normal number it is 0.
func TestNumbersRead(t *testing.T) {
	t.Parallel()
	for _, kind := range []string{"double", "float"} {
		bits := map[string]int{"double": 64, "float": 32}[kind]
		all := texts()
		lines := make([]string, len(all))
		for i, text := range all {
			lines[i] = "r " + text
		}
		wrong := 0
		for i, got := range numbers(t, kind, lines) {
			x, _ := strconv.ParseFloat(strings.ReplaceAll(all[i], " ", ""), bits) // beyond: infinite
			pattern := math.Float64bits(x)
			if bits == 32 {
				pattern = uint64(math.Float32bits(float32(x)))
			}
			if math.Abs(x) < 0x1p-1022 || bits == 32 && math.Abs(x) < 0x1p-126 {
				pattern = 0
			}
			if want := fmt.Sprintf("%x %d", pattern, len(all[i])); got != want {
				if wrong++; wrong < 10 {
					t.Errorf("%s: %s is read as %s, not %s", kind, all[i], got, want)
				}
			}
		}
		t.Logf("%s: %d numbers, %d wrong", kind, len(all), wrong)
	}
}

// TestNotNumbers are errors and what stands behind a number.
func TestNotNumbers(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"": "error 0", "-": "error 0", ".": "error 0", "E3": "error 0", "x": "error 0", "--1": "error 0",
		"1e32001": "error -123", "1e-99999999999999999999": "error -123", strings.Repeat("1", 256): "error -124",
		"1.2.3": "3", "1e": "1", "1e+": "1", "1 V": "1", "5mV": "1", "1EX": "1", strings.Repeat("0", 300) + "1": "301",
	} {
		got := numbers(t, "double", []string{"r " + text})[0]
		if _, behind, found := strings.Cut(got, " "); got != want && (!found || behind != want) {
			t.Errorf("%q: %s, not %s", text, got, want)
		}
	}
}

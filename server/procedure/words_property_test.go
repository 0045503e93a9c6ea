package procedure

import (
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"ohmkeep/server/quantity"
)

// Runs of numbers say every pin once: read back they are what was said.
func TestRunsSayEveryPin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pins := rapid.SliceOfNDistinct(rapid.IntRange(1, 48), 0, 48, rapid.ID).Draw(t, "pins")
		said := numberRuns(pins)
		var back []int
		for part := range strings.SplitSeq(said, ", ") {
			if part == "" {
				continue
			}
			from, to, run := strings.Cut(part, "–")
			a, err := strconv.Atoi(from)
			if err != nil {
				t.Fatalf("%q of %v: %v", said, pins, err)
			}
			b := a
			if run {
				if b, err = strconv.Atoi(to); err != nil || b <= a {
					t.Fatalf("%q of %v: %v", said, pins, err)
				}
			}
			for n := a; n <= b; n++ {
				back = append(back, n)
			}
		}
		if want := slices.Sorted(slices.Values(pins)); !slices.Equal(back, want) {
			t.Fatalf("%v are said as %q", want, said)
		}
		if runs := strings.Count(said, ","); runs >= max(len(pins), 1) {
			t.Fatalf("%v are said as %q", pins, said)
		}
	})
}

// A printed number without the zeros at its end is the same number.
func TestZerosAtTheEnd(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "v")
		long := quantity.Format(v, quantity.Volt, rapid.IntRange(1, 9).Draw(t, "digits"))
		short := trimZeros(long)
		a, errA := quantity.Parse(long, quantity.Volt)
		b, errB := quantity.Parse(short, quantity.Volt)
		number, unit, _ := strings.Cut(short, " ")
		if errA != nil || errB != nil || a != b || unit == "" {
			t.Fatalf("%q becomes %q: %g and %g (%v, %v)", long, short, a, b, errA, errB)
		}
		if strings.Contains(number, ".") && !strings.Contains(number, "e") && strings.HasSuffix(number, "0") || strings.HasSuffix(number, ".") {
			t.Fatalf("%q becomes %q", long, short)
		}
	})
	for long, want := range map[string]string{"5.000 V": "5 V", "0.500": "0.5", "100 V": "100 V", "1.20e+300": "1.20e+300", "7": "7"} {
		if got := trimZeros(long); got != want {
			t.Errorf("%q becomes %q, want %q", long, got, want)
		}
	}
}

// Text is cut between characters, never inside one, and only where it is longer.
func TestTextIsCutBetweenCharacters(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringOfN(rapid.RuneFrom([]rune("aé\u2028µΩ漢")), 0, 90, -1).Draw(t, "text")
		most := rapid.IntRange(0, 80).Draw(t, "most")
		got := within(s, most)
		if !utf8.ValidString(got) || !strings.HasPrefix(s, got) || utf8.RuneCountInString(got) != min(most, utf8.RuneCountInString(s)) {
			t.Fatalf("%q cut to %d is %q", s, most, got)
		}
		cut := clip(s)
		if rest, long := strings.CutSuffix(cut, "…"); long != (utf8.RuneCountInString(s) > 40) || !strings.HasPrefix(s, rest) || !long && cut != s {
			t.Fatalf("%q is clipped to %q", s, cut)
		}
	})
}

// A sweep in words says its ends and how many points it has, whatever they are.
func TestSweepsInWords(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := validSweep(t)
		said := s.words(quantity.Volt)
		if strings.HasSuffix(said, ", up and down") != s.Back {
			t.Fatalf("%+v is said as %q", s, said)
		}
		want := []string{quantity.Short(s.From, quantity.Volt) + " to " + quantity.Short(s.To, quantity.Volt), strconv.Itoa(s.Points)}
		if s.Spacing == List {
			want = []string{quantity.Short(s.List[0], quantity.Volt)}
			if len(s.List) > maxListed {
				want = append(want, "("+strconv.Itoa(len(s.List))+" levels)")
			} else {
				want = append(want, quantity.Short(s.List[len(s.List)-1], quantity.Volt))
			}
		}
		for _, w := range want {
			if !strings.Contains(said, w) {
				t.Fatalf("%+v is said as %q, without %q", s, said, w)
			}
		}
	})
}

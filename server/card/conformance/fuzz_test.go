package conformance

import (
	"math"
	"strings"
	"testing"

	"ohmkeep/server/bench"
)

// FuzzReadings holds that whatever a card answers to READ? is read or refused,
// and that what is read is finite and has the values that were asked for.
func FuzzReadings(f *testing.F) {
	for _, s := range []string{"0,0,0,0", "1.0E-1,9.9E37,2,0", "9.91E37,0,0,0", "1,2,3", "1,2,3,4,5,6,7,8", "nan,1,0,0", "1e999,0,0,0", ",,,"} {
		f.Add(s, 1)
		f.Add(s, 2)
	}
	ranges := []bench.Range{{FullScale: 2}, {FullScale: 10}}
	c := &check{card: card{channels: []Channel{{Number: 1, SenseV: ranges, SenseI: ranges}, {Number: 2}}}}
	f.Fuzz(func(t *testing.T, answer string, n int) {
		if n < 1 || n > 2 {
			return
		}
		got, err := (&trial{check: c}).readings(answer, []int{1, 2}[:n]...)
		if err != nil {
			return
		}
		if len(got) != n || strings.Count(answer, ",") != 4*n-1 {
			t.Fatalf("%q: %d readings", answer, len(got))
		}
		for _, r := range got {
			for _, x := range []float64{r.v, r.i, r.level} {
				if math.IsNaN(x) || math.IsInf(x, 0) {
					t.Errorf("%q: %+v", answer, r)
				}
			}
		}
	})
}

// FuzzAnswer goes over the other answers that are taken apart.
func FuzzAnswer(f *testing.F) {
	for _, s := range []string{`0;-113,"Undefined header";0,"No error"`, `"a;b";c`, "0!1", "{n} {v", "CHANNELS 2,WATCHDOG 2,MESSAGE 1024", `-1,"`} {
		f.Add(s)
	}
	v := values{}
	v.set("n", "1")
	f.Fuzz(func(t *testing.T, s string) {
		if got := strings.Join(splitAnswer(s), ";"); got != s {
			t.Errorf("%q came to %q", s, got)
		}
		if p, err := ParsePath(s); err == nil && (p.Line < 0 || p.Contact < 0) {
			t.Errorf("%q: %+v", s, p)
		}
		if _, err := v.fill(s); err == nil && strings.Contains(v.show(s), "{n}") {
			t.Errorf("%q is not filled", s)
		}
		_, _ = entry(s)
		_, _ = register(s)
	})
}

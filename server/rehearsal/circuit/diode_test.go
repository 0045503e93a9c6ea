package circuit

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

// The tables are those of testdata: Shockley (1949) with the closed
// form of Banwell and Jayakumar, Electron. Lett. 36(4), 291 (2000); computed
// to 60 digits, status "computed".
func table(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := make([][]float64, 0, len(rows))
	for _, r := range rows[1:] {
		v := make([]float64, len(r))
		for k, s := range r {
			if v[k], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatal(err)
			}
		}
		out = append(out, v)
	}
	if len(out) < 20 {
		t.Fatalf("%s: only %d rows", name, len(out))
	}
	return out
}

func closeTo(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s: got %.17g, want %.17g (%.2g)", what, got, want, (got-want)/want)
	}
}

func TestDiodeAtVoltage(t *testing.T) {
	for _, r := range table(t, "shockley-series-resistance.csv") {
		c := New(r[3])
		n := c.Node("a")
		v := c.VSource(n, Ground, r[4])
		d := c.Diode(n, Ground, DiodeParams{Is: r[0], N: r[1], Rs: r[2]})
		sol, err := c.Solve()
		if err != nil {
			t.Fatalf("%v: %v", r, err)
		}
		// V/(nVt) in double carries 1 part in 1e16, times the exponent of the law.
		rel := 1e-15 * (4 + math.Abs(r[4])/(r[1]*r[5]))
		if r[2] > 0 {
			rel = 1e-13
		}
		closeTo(t, "I of "+strconv.FormatFloat(r[4], 'g', -1, 64)+" V", d.I(), r[6], rel)
		closeTo(t, "source current", v.I(), d.I()+Insulation*r[4], 1e-12)
		if sol.Residual > 1e-12 {
			t.Errorf("residual %g", sol.Residual)
		}
	}
}

func TestDiodeAtCurrent(t *testing.T) {
	for _, r := range table(t, "forced-current-voltage.csv") {
		c := New(r[3])
		n := c.Node("a")
		i := c.ISource(Ground, n, r[4])
		c.Diode(n, Ground, DiodeParams{Is: r[0], N: r[1], Rs: r[2]})
		// The insulation takes its part of the current, up to 60 % at -0.5 fA:
		// the source supplies it on top, so that the diode has the table's.
		i.SetI(r[4] + Insulation*r[5])
		sol, err := c.Solve()
		if err != nil {
			t.Fatalf("%v: %v", r, err)
		}
		closeTo(t, "V", sol.V(n), r[5], 1e-12)
	}
}

package liverun

import (
	"bytes"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

func sortedNames(names []string) []string { slices.Sort(names); return names }

// However readings are cut into batches, and wherever the picture is written
// and read back in between, the bytes are the same.
func TestPictureDependsOnReadingsAlone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		shape, rs := anyShape(t), drawReadings(t, 60_000)
		want := pictureOf(shape, rs).Append(nil)
		p := NewPicture(shape)
		for rest := rs; len(rest) > 0; {
			n := min(rapid.SampledFrom([]int{1, 2, 1023, 1024, 5000, 12288, 20000}).Draw(t, "cut"), len(rest))
			p.Add(rest[:n])
			rest = rest[n:]
			switch rapid.IntRange(0, 3).Draw(t, "between") {
			case 0:
				again, err := DecodePicture(p.Append(nil), shape)
				if err != nil {
					t.Fatal(err)
				}
				p = again
			case 1:
				p.Series(&dut.Device{}) // looking changes nothing
			case 2:
				p = p.Clone()
			}
		}
		if !bytes.Equal(p.Append(nil), want) {
			t.Fatal("cut differently, it is another picture")
		}
		if p.Readings() != int64(len(rs)) {
			t.Fatalf("%d readings of %d", p.Readings(), len(rs))
		}
	})
}

// A clone stays as it is while readings come.
func TestCloneStandsStill(t *testing.T) {
	for name, shape := range shapes {
		random := rand.New(rand.NewPCG(1, 2))
		rs := make([]bench.Reading, 30_000)
		for i := range rs {
			rs[i] = bench.Reading{T: int64(i), Point: uint32(i / 3), Pin: uint8(1 + i%2), V: random.Float64(), I: random.Float64()}
		}
		p := pictureOf(shape, rs[:12_000])
		c := p.Clone()
		want := c.Append(nil)
		p.Add(rs[12_000:])
		if !bytes.Equal(c.Append(nil), want) {
			t.Errorf("%s: the clone changed", name)
		}
	}
}

// Every drawn point is a real reading, at most so many are kept, and they come
// in the order of the readings.
func TestPictureShowsRealReadings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		shape, rs := anyShape(t), drawReadings(t, 60_000)
		if shape.X.Pin != shape.Y.Pin && shape.X.Quantity != procedure.QuantityTime {
			t.Skip("points of two readings: see TestPairsBelongTogether")
		}
		p := pictureOf(shape, rs)
		series := p.Series(&dut.Device{})
		if len(series) > maxCurves {
			t.Fatalf("%d curves", len(series))
		}
		for i, s := range series {
			if len(s.X) > mostPoints || len(p.curves[i].points) > curveRoom {
				t.Fatalf("%d points drawn, %d kept", len(s.X), len(p.curves[i].points))
			}
			at := 0
			for k := range s.X {
				for at < len(rs) && !(sameBits(plainValue(rs[at], shape.X.Quantity), s.X[k]) && sameBits(plainValue(rs[at], shape.Y.Quantity), s.Y[k]) &&
					rs[at].Flags.Has(bench.InCompliance) == s.Hollow[k]) {
					at++
				}
				if at == len(rs) {
					t.Fatalf("curve %d, point %d (%g, %g) is no reading after the one before", i, k, s.X[k], s.Y[k])
				}
				at++
			}
		}
	})
}

func samePoint(a, b point) bool {
	return sameBits(a.x, b.x) && sameBits(a.y, b.y) && a.hollow == b.hollow
}

func sameBits(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }

// Against time, no reading lies further out than what is drawn within a column
// to either side, and no compliance is lost; even where readings come in fits
// and starts.
func TestTimePlotShowsEveryExtreme(t *testing.T) {
	shape := shapes["watch of a pin"]
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 40_000).Draw(t, "readings")
		fits := rapid.SampledFrom([]int{0, 1000}).Draw(t, "a pause every")
		rs := make([]bench.Reading, n)
		at := int64(0)
		for i := range rs {
			if at += 1000; fits > 0 && i%fits == 0 {
				at += 5e6
			}
			rs[i] = bench.Reading{T: at, Pin: 1, I: math.Sin(float64(i) / 900)}
		}
		for _, k := range rapid.SliceOfN(rapid.IntRange(0, n-1), 0, 5).Draw(t, "spikes") {
			rs[k].I, rs[k].Flags = 50*float64(1-2*(k%2)), bench.InCompliance
		}
		s := Series{}
		if got := pictureOf(shape, rs).Series(&dut.Device{}); len(got) == 1 {
			s = got[0]
		}
		if s.X[0] != float64(rs[0].T)/1e9 || s.X[len(s.X)-1] != float64(rs[n-1].T)/1e9 {
			t.Fatalf("from %g to %g", s.X[0], s.X[len(s.X)-1])
		}
		column := 2 * float64(rs[n-1].T-rs[0].T) / 1e9 / Columns
		from := 0
		for _, r := range rs {
			x := float64(r.T) / 1e9
			for s.X[from] < x-column*(1+1e-9) {
				from++
			}
			low, high, hollow := math.Inf(1), math.Inf(-1), false
			for k := from; k < len(s.X) && s.X[k] <= x+column*(1+1e-9); k++ {
				low, high, hollow = min(low, s.Y[k]), max(high, s.Y[k]), hollow || s.Hollow[k]
			}
			if r.I < low || r.I > high || r.Flags.Has(bench.InCompliance) && !hollow {
				t.Fatalf("reading at %g s, %g A, outside %g to %g, hollow %v", x, r.I, low, high, hollow)
			}
		}
	})
}

// The nth readings of both pins at one point of a group belong together.
func TestPairsBelongTogether(t *testing.T) {
	var rs []bench.Reading
	for i := range 400 { // twice each pin, in an order that changes
		x := bench.Reading{Point: uint32(i), Group: uint16(i / 200), Pin: 1, Set: float64(i), V: float64(i)}
		y := bench.Reading{Point: uint32(i), Group: uint16(i / 200), Pin: 2, V: -float64(i)}
		x2, y2 := x, y
		x2.V, x2.Set, y2.V = x.V+0.5, x.Set+0.5, y.V-0.5
		if i == 300 {
			y.Flags = bench.InCompliance
		}
		rs = append(rs, [][]bench.Reading{{x, x2, y, y2}, {x, y, x2, y2}, {y, x, x2, y2}, {x, x2, y, y2}}[i%4]...)
	}
	rs = append(rs, bench.Reading{Point: 400, Group: 1, Pin: 1}, bench.Reading{Point: 401, Group: 1, Pin: 2}) // halves of different points
	for _, name := range []string{"two pins", "other pin"} {
		series := pictureOf(shapes[name], rs).Series(&dut.Device{})
		if len(series) != 2 {
			t.Fatalf("%s: %d curves", name, len(series))
		}
		for g, s := range series {
			if len(s.X) != 400 {
				t.Fatalf("%s: curve %d has %d points", name, g, len(s.X))
			}
			for k := range s.X {
				if s.X[k] != -s.Y[k] || s.X[k] != 200*float64(g)+float64(k)/2 || s.Hollow[k] != (g == 1 && k == 200) {
					t.Fatalf("%s: curve %d, point %d: (%g, %g) %v", name, g, k, s.X[k], s.Y[k], s.Hollow[k])
				}
			}
		}
	}
}

// A picture that is damaged, cut, of another shape or another version is refused.
func TestDamagedPictureIsRefused(t *testing.T) {
	shape := shapes["two pins"]
	good := pictureOf(shape, []bench.Reading{{Pin: 1, V: 1}, {Pin: 2, V: 2}, {Pin: 1, Point: 7, V: 3}}).Append(nil)
	if _, err := DecodePicture(good, shape); err != nil {
		t.Fatal(err)
	}
	for i := range good {
		bad := slices.Clone(good)
		bad[i] ^= 1 << (i % 8)
		if _, err := DecodePicture(bad, shape); !errors.Is(err, ErrPicture) {
			t.Fatalf("byte %d changed: %v", i, err)
		}
		if _, err := DecodePicture(good[:i], shape); !errors.Is(err, ErrPicture) {
			t.Fatalf("cut at %d: %v", i, err)
		}
	}
	for name, other := range shapes {
		if _, err := DecodePicture(good, other); name != "two pins" && !errors.Is(err, ErrPicture) {
			t.Errorf("read as %s: %v", name, err)
		}
	}
}

// FuzzDecodePicture: what is read is written back to the same bytes, and takes
// further readings.
func FuzzDecodePicture(f *testing.F) {
	shape := shapes["two pins"]
	f.Add(NewPicture(shape).Append(nil))
	f.Add(pictureOf(shape, []bench.Reading{{Pin: 1, V: 1}, {Pin: 2, V: 2}, {Pin: 1, Point: 7, V: 3, Flags: bench.InCompliance}}).Append(nil))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := DecodePicture(sealed(data), shape)
		if err != nil {
			if !errors.Is(err, ErrPicture) {
				t.Fatal(err)
			}
			return
		}
		if again := p.Append(nil); !bytes.Equal(again, sealed(data)) {
			t.Fatalf("read %x, written %x", sealed(data), again)
		}
		p.Add([]bench.Reading{{Pin: 1, V: 1}, {Pin: 2, V: 2}})
		p.Series(&dut.Device{})
	})
}

// sealed gives data its checksum, so that the fuzzer gets past it.
func sealed(data []byte) []byte {
	if len(data) < 4 {
		return data
	}
	body := slices.Clone(data[:len(data)-4])
	return le.AppendUint32(body, checksum(body))
}

// Readings for a correction are counted, and draw nothing: the picture shows the
// same with them and without, wherever they come.
func TestCorrectionsAreNotDrawn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		shape, rs := anyShape(t), drawReadings(t, 2000)
		var measured []bench.Reading
		for i := range rs {
			if rapid.IntRange(0, 3).Draw(t, "kind") == 0 {
				rs[i].Flags |= bench.Auxiliary
				continue
			}
			rs[i].Flags &^= bench.Auxiliary
			measured = append(measured, rs[i])
		}
		all, want := pictureOf(shape, rs), pictureOf(shape, measured)
		if all.Readings() != int64(len(rs)) {
			t.Fatalf("%d readings of %d", all.Readings(), len(rs))
		}
		if got, want := all.Series(&dut.Device{}), want.Series(&dut.Device{}); !cmp.Equal(got, want, cmpopts.EquateEmpty(), cmpopts.EquateNaNs()) {
			t.Fatal("they are drawn")
		}
	})
}

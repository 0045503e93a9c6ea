package store

import (
	"bytes"
	"encoding/hex"
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
)

// alike are readings whose columns are those of real ones: steady, rising, or
// anything at all.
func alike(t *rapid.T, n int) []bench.Reading {
	rs := rapid.SliceOfN(anyReading, n, n).Draw(t, "readings")
	steady := rapid.SliceOfN(rapid.IntRange(0, 2), 9, 9).Draw(t, "how")
	for i := range rs {
		a, r := &rs[max(i-1, 0)], &rs[i]
		for column, how := range steady {
			if how == 0 || i == 0 {
				continue
			}
			up := how - 1 // 0: the same again
			switch column {
			case 0:
				r.T = a.T + int64(up*(1_000_000+i%7))
			case 1:
				r.Set = a.Set
			case 2:
				r.V = a.V
			case 3:
				r.I = a.I
			case 4:
				r.Point = a.Point + uint32(up)
			case 5:
				r.Group = a.Group + uint16(up)
			case 6:
				r.Flags = a.Flags
			case 7:
				r.Pin = a.Pin + uint8(up)
			case 8:
				r.Channel = a.Channel + bench.ChannelID(up)
			}
		}
	}
	return rs
}

func TestPackRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rs := alike(t, rapid.OneOf(rapid.IntRange(1, 4), rapid.IntRange(1, chunkMax)).Draw(t, "n"))
		var c, back Columns
		c.Append(rs)
		data := packChunk([]byte("before"), &c)[len("before"):]
		if len(data) > packedMost(len(rs)) {
			t.Fatalf("%d bytes for %d readings", len(data), len(rs))
		}
		back.Append(rs[:1]) // what is there already stays
		if err := decodeChunk(data, &back); err != nil || back.Len() != len(rs)+1 {
			t.Fatal(back.Len(), err)
		}
		for i, r := range append(rs[:1:1], rs...) {
			if !same(back.At(i), r) {
				t.Fatalf("reading %d: %v instead of %v", i, back.At(i), r)
			}
		}
		bit := rapid.IntRange(0, 8*len(data)-1).Draw(t, "bit")
		data[bit/8] ^= 1 << (bit % 8)
		if err := decodeChunk(data, &back); !errors.Is(err, errChunk) || back.Len() != len(rs)+1 {
			t.Fatalf("changed bit %d: %v, %d readings", bit, err, back.Len())
		}
	})
}

// A count that does not show in the length is noticed when it changes.
func TestPackedCountIsChecked(t *testing.T) {
	t.Parallel()
	var c Columns
	c.Append(make([]bench.Reading, 1))
	data := packChunk(nil, &c)
	data[2] ^= 2
	if err := decodeChunk(data, &c); !errors.Is(err, errChunk) {
		t.Errorf("three readings of one: %v", err)
	}
}

// The layout is on people's disks: it must not change under the same version.
func TestPackLayout(t *testing.T) {
	t.Parallel()
	var c Columns
	c.Append([]bench.Reading{
		{T: 1, Set: 1, V: -2, I: 0.5, Point: 0x01020304, Group: 0x0506, Flags: 0x0708, Pin: 9, Channel: 10},
		{T: 3, Set: 1, V: -2, I: 1, Point: 0x01020305, Group: 0x0506, Flags: 0, Pin: 9, Channel: 9},
	})
	want := "02000200" + "????????" + "020204" + "01000000000000f03f" + "0100000000000000c0" +
		"00000000000000e03f000000000000f03f" + "02" + "888c9010" + "02" + "010605" + "0008070000" + "0109" + "000a09"
	got := hex.EncodeToString(packChunk(nil, &c))
	if got[:8]+"????????"+got[16:] != want {
		t.Errorf("layout changed:\n%s\n%s", got, want)
	}
}

// What a reading takes in a chunk: bytes on disk are a figure.
func TestPackSizes(t *testing.T) {
	t.Parallel()
	watch := func(i int) bench.Reading {
		return bench.Reading{T: int64(i)*1_000_000 + int64(i*7919%30_000), Set: 1, V: math.Sin(float64(i)), I: math.Cos(float64(i)), Pin: 1, Channel: 2}
	}
	sweep := func(i int) bench.Reading {
		r := watch(i)
		r.Set, r.Point = float64(i/2)/1000, uint32(i/2)
		return r
	}
	for name, tc := range map[string]struct {
		of   func(int) bench.Reading
		most float64
	}{"watch": {watch, 20}, "sweep": {sweep, 29}} {
		var c Columns
		for i := range chunkMax {
			c.Append([]bench.Reading{tc.of(i)})
		}
		if got := float64(len(packChunk(nil, &c))) / chunkMax; got > tc.most {
			t.Errorf("%s: %.1f bytes a reading", name, got)
		}
	}
}

func TestPackDoesNotAllocate(t *testing.T) {
	var c, back Columns
	rs := make([]bench.Reading, chunkMax)
	for i := range rs {
		rs[i] = bench.Reading{T: int64(i), V: float64(i), Pin: uint8(i)}
	}
	c.Append(rs)
	back.extend(chunkMax)
	buf := make([]byte, 0, packedMost(chunkMax)+16)
	if n := testing.AllocsPerRun(50, func() {
		c.Reset()
		c.Append(rs)
		buf = packChunk(buf[:0], &c)
		back.Reset()
		if err := decodeChunk(buf, &back); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func FuzzUnpackChunk(f *testing.F) {
	var c Columns
	c.Append([]bench.Reading{{T: 1, V: 2}, {T: 3, I: math.NaN(), Flags: 5}})
	f.Add(uint16(2), packChunk(nil, &c)[chunkHeader:])
	f.Add(uint16(1), []byte{0})
	f.Add(uint16(1024), []byte{2, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0x7F})
	// The checksum is made to fit, so that what it covers is looked at too.
	f.Fuzz(func(t *testing.T, n uint16, body []byte) {
		data := append(le.AppendUint32(le.AppendUint16([]byte{packVersion, 0}, n), 0), body...)
		le.PutUint32(data[4:], packSum(data))
		var c, back Columns
		if err := decodeChunk(data, &c); err != nil {
			if !errors.Is(err, errChunk) || c.Len() != 0 {
				t.Fatalf("%d readings from a damaged chunk, %v", c.Len(), err)
			}
			return
		}
		again := packChunk(nil, &c)
		if err := decodeChunk(again, &back); err != nil || back.Len() != int(n) {
			t.Fatalf("%d readings of %d, %v", back.Len(), n, err)
		}
		if !bytes.Equal(packChunk(nil, &back), again) {
			t.Fatal("other readings came back")
		}
	})
}

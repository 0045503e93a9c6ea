package store

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
)

// reading generators reach every bit of every field.
var anyReading = rapid.Custom(func(t *rapid.T) bench.Reading {
	f := func(name string) float64 { return math.Float64frombits(rapid.Uint64().Draw(t, name)) }
	return bench.Reading{T: rapid.Int64().Draw(t, "t"), Set: f("set"), V: f("v"), I: f("i"),
		Point: rapid.Uint32().Draw(t, "point"), Group: rapid.Uint16().Draw(t, "group"),
		Flags: bench.Flags(rapid.Uint16().Draw(t, "flags")), Pin: rapid.Uint8().Draw(t, "pin"),
		Channel: bench.ChannelID(rapid.Uint8().Draw(t, "channel"))}
})

// same compares bit by bit, so that NaN equals itself.
func same(a, b bench.Reading) bool {
	eq := func(x, y float64) bool { return math.Float64bits(x) == math.Float64bits(y) }
	ok := eq(a.Set, b.Set) && eq(a.V, b.V) && eq(a.I, b.I)
	a.Set, a.V, a.I, b.Set, b.V, b.I = 0, 0, 0, 0, 0, 0
	return ok && a == b
}

// appendChunk packs the readings of c at the end of dst as version 1, which
// earlier programs wrote and this one must read.
func appendChunk(dst []byte, c *Columns) []byte {
	n := c.Len()
	if n < 1 || n > chunkMax {
		panic(fmt.Sprintf("store: chunk of %d readings", n))
	}
	start := len(dst)
	dst = append(dst, chunkVersion, 0)
	dst = le.AppendUint16(dst, uint16(n))
	dst = le.AppendUint32(dst, 0)
	for _, v := range c.T {
		dst = le.AppendUint64(dst, uint64(v))
	}
	for _, column := range [...][]float64{c.Set, c.V, c.I} {
		for _, v := range column {
			dst = le.AppendUint64(dst, math.Float64bits(v))
		}
	}
	for _, v := range c.Point {
		dst = le.AppendUint32(dst, v)
	}
	for _, v := range c.Group {
		dst = le.AppendUint16(dst, v)
	}
	for _, v := range c.Flags {
		dst = le.AppendUint16(dst, uint16(v))
	}
	dst = append(dst, c.Pin...)
	for _, v := range c.Channel {
		dst = append(dst, byte(v))
	}
	le.PutUint32(dst[start+4:], crc32.Checksum(dst[start+chunkHeader:], castagnoli))
	return dst
}

func TestChunkRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rs := rapid.SliceOfN(anyReading, 1, chunkMax).Draw(t, "readings")
		var c, back Columns
		c.Append(rs)
		data := appendChunk([]byte("before"), &c)[len("before"):]
		if len(data) != chunkHeader+readingSize*len(rs) {
			t.Fatalf("%d bytes for %d readings", len(data), len(rs))
		}
		if err := decodeChunk(data, &back); err != nil {
			t.Fatal(err)
		}
		for i, r := range rs {
			if !same(back.At(i), r) {
				t.Fatalf("reading %d: %v instead of %v", i, back.At(i), r)
			}
		}
		// Any changed bit must be noticed.
		bit := rapid.IntRange(0, 8*len(data)-1).Draw(t, "bit")
		data[bit/8] ^= 1 << (bit % 8)
		if err := decodeChunk(data, &back); !errors.Is(err, errChunk) {
			t.Fatalf("changed bit %d: %v", bit, err)
		}
	})
}

// The layout is on people's disks: it must not change under the same version.
func TestChunkLayout(t *testing.T) {
	t.Parallel()
	var c Columns
	c.Append([]bench.Reading{{T: 1, Set: 1, V: -2, I: 0.5, Point: 0x01020304, Group: 0x0506, Flags: 0x0708, Pin: 9, Channel: 10}})
	want := "01000100" + "????????" + "0100000000000000" + "000000000000f03f" + "00000000000000c0" + "000000000000e03f" +
		"04030201" + "0605" + "0807" + "09" + "0a"
	got := hex.EncodeToString(appendChunk(nil, &c))
	if got[:8]+"????????"+got[16:] != want {
		t.Errorf("layout changed:\n%s\n%s", got, want)
	}
	// CRC-32C of nine digits, RFC 3720 and the CRC catalogues (from memory).
	if sum := crc32.Checksum([]byte("123456789"), castagnoli); sum != 0xE3069283 {
		t.Errorf("checksum %#x", sum)
	}
}

func TestCodecDoesNotAllocate(t *testing.T) {
	var c, back Columns
	rs := make([]bench.Reading, chunkMax)
	c.Append(rs)
	back.extend(chunkMax)
	data := appendChunk(nil, &c)
	buf := make([]byte, 0, len(data))
	n := testing.AllocsPerRun(50, func() {
		c.Reset()
		c.Append(rs)
		buf = appendChunk(buf[:0], &c)
		back.Reset()
		if err := decodeChunk(buf, &back); err != nil {
			t.Fatal(err)
		}
	})
	if n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func FuzzDecodeChunk(f *testing.F) {
	var c Columns
	c.Append([]bench.Reading{{T: 1, V: 2}, {T: 3, I: math.NaN()}})
	f.Add(appendChunk(nil, &c))
	f.Add([]byte{chunkVersion, 0, 0, 0, 0, 0, 0, 0})
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, data []byte) {
		var c Columns
		if err := decodeChunk(data, &c); err != nil {
			if c.Len() != 0 {
				t.Fatal("readings from a damaged chunk")
			}
			return
		}
		if again := appendChunk(nil, &c); data[0] == chunkVersion && !bytes.Equal(again, data) {
			t.Fatal("two spellings of one chunk")
		}
	})
}

package store

import (
	"bytes"
	"encoding/hex"
	"errors"
	"hash/crc32"
	"math"
	"slices"
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

func TestChunkRoundTrip(t *testing.T) {
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
		p, err := openChunk(data)
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range rs {
			inPlace := bench.Reading{T: p.t(i), Set: p.value(columnSet, i), V: p.value(columnV, i), I: p.value(columnI, i),
				Point: p.point(i), Group: p.group(i), Flags: p.flags(i), Pin: p.pin(i), Channel: p.channel(i)}
			if !same(back.At(i), r) || !same(inPlace, r) {
				t.Fatalf("reading %d: %v and %v instead of %v", i, back.At(i), inPlace, r)
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
	blocks := make([]block, 0, maxBlocks)
	summary := make([]byte, 0, 2+maxBlocks*blockSize)
	n := testing.AllocsPerRun(50, func() {
		c.Reset()
		c.Append(rs)
		buf = appendChunk(buf[:0], &c)
		blocks = summarise(blocks, &c)
		summary = appendSummary(summary[:0], blocks)
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
		if again := appendChunk(nil, &c); !bytes.Equal(again, data) {
			t.Fatal("two spellings of one chunk")
		}
	})
}

func FuzzDecodeSummary(f *testing.F) {
	var c Columns
	c.Append([]bench.Reading{{T: 1, V: 2, Pin: 1}, {T: 3, I: math.NaN(), Pin: 2, Flags: bench.InCompliance}})
	f.Add(appendSummary(nil, summarise(nil, &c)))
	f.Add([]byte{summaryVersion, 0})
	f.Add([]byte{summaryVersion, 255})
	f.Add([]byte{1, 3})
	f.Fuzz(func(t *testing.T, data []byte) {
		blocks, err := decodeBlocks(nil, data)
		if err != nil || data[0] == 1 { // of an older version nothing is used
			return
		}
		for _, c := range []column{columnV, columnI} {
			if spans, err := decodeSummary(nil, data, c); err != nil || len(spans) != len(blocks) {
				t.Fatalf("%d spans of %d blocks, %v", len(spans), len(blocks), err)
			}
		}
		if !bytes.Equal(appendSummary(nil, blocks), data) {
			t.Fatal("two spellings of one summary")
		}
	})
}

func TestSummaryOfManyCurvesSaysUnpack(t *testing.T) {
	var c Columns
	for i := range 100 {
		c.Append([]bench.Reading{{Pin: uint8(i)}})
	}
	if blocks := summarise(nil, &c); len(blocks) != 0 {
		t.Errorf("%d blocks of 100 curves", len(blocks))
	}
}

// The summary must say of each quantity exactly what a look at all readings says.
func TestSummaryAgainstAllReadings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, chunkMax).Draw(t, "n")
		pins := rapid.IntRange(1, 4).Draw(t, "pins")
		var c Columns
		for i := range n {
			r := bench.Reading{T: int64(i), Pin: uint8(rapid.IntRange(1, pins).Draw(t, "pin")), V: rapid.Float64().Draw(t, "v")}
			if rapid.IntRange(0, 20).Draw(t, "odd") == 0 {
				r.V, r.Flags = math.NaN(), bench.InCompliance
			}
			c.Append([]bench.Reading{r})
		}
		spans, err := decodeSummary(nil, appendSummary(nil, summarise(nil, &c)), columnV)
		if err != nil {
			t.Fatal(err)
		}
		seen := map[uint8]int{} // readings of the pin in earlier blocks
		for _, s := range spans {
			var rs []int
			for i := range n {
				if c.Pin[i] == s.pin {
					rs = append(rs, i)
				}
			}
			rs = rs[seen[s.pin]:]
			rs = rs[:min(blockReadings, len(rs))]
			seen[s.pin] += len(rs)
			checkSpan(t, &c, rs, &s)
		}
		total := 0
		for _, k := range seen {
			total += k
		}
		if total != n {
			t.Fatalf("summaries of %d of %d readings", total, n)
		}
	})
}

func checkSpan(t *rapid.T, c *Columns, rs []int, s *span) {
	finite := slices.DeleteFunc(slices.Clone(rs), func(i int) bool { return math.IsNaN(c.V[i]) })
	want := [marks]int{first: rs[0], last: rs[len(rs)-1], lowest: noIndex, highest: noIndex, limited: noIndex}
	if len(finite) > 0 {
		by := func(a, b int) int { return int(math.Copysign(1, c.V[a]-c.V[b])) * btoi(c.V[a] != c.V[b]) }
		want[lowest] = slices.MinFunc(finite, by)
		want[highest] = slices.MaxFunc(finite, by)
	}
	if i := slices.IndexFunc(rs, func(i int) bool { return c.Flags[i] != 0 }); i >= 0 {
		want[limited] = rs[i]
	}
	for k, m := range s.marks {
		if int(m.index) != want[k] {
			t.Fatalf("role %d: reading %d instead of %d", k, m.index, want[k])
		}
		if m.index != noIndex && (m.t != c.T[m.index] || math.Float64bits(m.y) != math.Float64bits(c.V[m.index])) {
			t.Fatalf("role %d: %+v is not reading %d", k, m, m.index)
		}
	}
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

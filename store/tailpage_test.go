package store

import (
	"bytes"
	"encoding/hex"
	"errors"
	"hash/crc32"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
)

// What is put into a page until it is full comes back, and any changed bit of a
// stored page is noticed.
func TestTailPageRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := newTailPage()
		if rapid.Bool().Draw(t, "used before") {
			for p.add(tailRecord{1, 2, bytes.Repeat([]byte{0xFF}, 500)}) {
			}
			p.clear()
		}
		var want []tailRecord
		for {
			var c Columns
			c.Append(rapid.SliceOfN(anyReading, 1, tailRecordMost).Draw(t, "readings"))
			r := tailRecord{rapid.IntRange(0, 1<<31-1).Draw(t, "measurement"), rapid.Int64Min(0).Draw(t, "first"), appendChunk(nil, &c)}
			if !p.add(r) {
				if len(want) == 0 {
					t.Fatalf("an empty page has no room for %d readings", c.Len())
				}
				break
			}
			want = append(want, r)
		}
		p.seal(7)
		stored := slices.Clone(p.data)
		back, err := openTailPage(stored, 7)
		if err != nil {
			t.Fatal(err)
		}
		var got []tailRecord
		for r := range back.records() {
			got = append(got, r)
		}
		if back.used != p.used || !slices.EqualFunc(got, want, func(a, b tailRecord) bool {
			return a.measurement == b.measurement && a.first == b.first && bytes.Equal(a.packed, b.packed)
		}) {
			t.Fatalf("%d records of %d came back, %d bytes of %d", len(got), len(want), back.used, p.used)
		}
		bit := rapid.IntRange(0, 8*len(stored)-1).Draw(t, "bit")
		stored[bit/8] ^= 1 << (bit % 8)
		if _, err := openTailPage(stored, 7); !errors.Is(err, errTailPage) {
			t.Fatalf("changed bit %d: %v", bit, err)
		}
	})
}

// The layout is on people's disks: it must not change under the same version.
func TestTailPageLayout(t *testing.T) {
	t.Parallel()
	p := newTailPage()
	p.add(tailRecord{0x01020304, 0x05060708090A0B0C, []byte{0xAA, 0xBB}})
	p.seal(7)
	want := "02000000" + "????????" + "0200" + "04030201" + "0c0b0a0908070605" + "aabb" + "0000"
	got := hex.EncodeToString(p.data[:26])
	if got[:8]+"????????"+got[16:] != want || len(p.data) != 4032 {
		t.Errorf("layout of %d bytes changed:\n%s\n%s", len(p.data), got, want)
	}
}

// TestTailPageBelongsToItsRun: a page of another run is no page of this one, and
// one of version 1, whose checksum names none, is still read.
func TestTailPageBelongsToItsRun(t *testing.T) {
	t.Parallel()
	p := newTailPage()
	p.add(tailRecord{1, 2, []byte{0xAA}})
	p.seal(7)
	if _, err := openTailPage(p.data, 7); err != nil {
		t.Error(err)
	}
	if _, err := openTailPage(p.data, 8); !errors.Is(err, errTailPage) {
		t.Errorf("of another run: %v", err)
	}
	p.data[0] = 1
	le.PutUint32(p.data[4:], crc32.Checksum(p.data[tailPageHeader:], castagnoli))
	if _, err := openTailPage(p.data, 7); err != nil {
		t.Errorf("version 1: %v", err)
	}
}

func FuzzOpenTailPage(f *testing.F) {
	p := newTailPage()
	var c Columns
	c.Append([]bench.Reading{{T: 1, V: 2}, {T: 3}})
	p.add(tailRecord{0, 7, appendChunk(nil, &c)})
	f.Add(slices.Clone(p.data[tailPageHeader:]))
	f.Add([]byte{0xFF, 0xFF, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0})
	f.Add([]byte{1, 0})
	// The checksum is made to fit, so that what it covers is looked at too.
	f.Fuzz(func(t *testing.T, body []byte) {
		p := newTailPage()
		copy(p.data[tailPageHeader:], body)
		p.seal(7)
		back, err := openTailPage(p.data, 7)
		if err != nil {
			if !errors.Is(err, errTailPage) {
				t.Fatal(err)
			}
			return
		}
		again := newTailPage()
		for r, err := range back.records() {
			if err != nil || !again.add(r) {
				t.Fatalf("a record of %d bytes: %v", len(r.packed), err)
			}
		}
		if again.used != back.used || !bytes.Equal(again.data[tailPageHeader:again.used], back.data[tailPageHeader:back.used]) {
			t.Fatal("two spellings of one page")
		}
	})
}

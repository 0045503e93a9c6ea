package store

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math"

	"ohmkeep/server/bench"
)

// A packed chunk of version 2 begins as one of version 1, but for a checksum that
// counts the first four bytes too, and has the same columns
// in the same order, each after a byte that says how it is written:
//
//	0  plain: as in version 1
//	1  same: one value, which is that of every reading
//	2  steps: how much each is more than the one before, the first more than 0,
//	   as signed varints (encoding/binary); whole numbers alone
//
// A watch takes 20 bytes a reading, a sweep 30, version 1 always 42: what a
// reading costs on disk is the bytes of its chunk three times over, in the log of
// the database, in the file, and before that in the tail.
const (
	packVersion = 2

	columnPlain = 0
	columnSame  = 1
	columnSteps = 2
)

// packedMost is the most bytes that n readings take: each column's byte more
// than in version 1.
func packedMost(n int) int { return chunkHeader + 9 + n*readingSize }

// packChunk packs the readings of c at the end of dst, as version 2. It
// allocates only where dst is too small.
func packChunk(dst []byte, c *Columns) []byte {
	n := c.Len()
	if n < 1 || n > chunkMax {
		panic(fmt.Sprintf("store: chunk of %d readings", n))
	}
	start := len(dst)
	dst = append(dst, packVersion, 0)
	dst = le.AppendUint16(dst, uint16(n))
	dst = le.AppendUint32(dst, 0)
	dst = packWhole(dst, c.T, 8)
	for _, column := range [...][]float64{c.Set, c.V, c.I} {
		dst = packFloats(dst, column)
	}
	dst = packWhole(dst, c.Point, 4)
	dst = packWhole(dst, c.Group, 2)
	dst = packWhole(dst, c.Flags, 2)
	dst = packWhole(dst, c.Pin, 1)
	dst = packWhole(dst, c.Channel, 1)
	le.PutUint32(dst[start+4:], packSum(dst[start:]))
	return dst
}

// packSum is the checksum of a chunk of version 2: of everything but itself, since
// a count that is wrong need not show in the length.
func packSum(data []byte) uint32 {
	return crc32.Update(crc32.Checksum(data[:4], castagnoli), castagnoli, data[chunkHeader:])
}

// whole are the types of the columns of whole numbers.
type whole interface {
	int64 | uint32 | uint16 | uint8 | bench.Flags | bench.ChannelID
}

// appendWhole appends a value of width bytes.
func appendWhole(dst []byte, v int64, width int) []byte {
	for range width {
		dst = append(dst, byte(v))
		v >>= 8
	}
	return dst
}

// packWhole packs a column of whole numbers of width bytes.
func packWhole[T whole](dst []byte, column []T, width int) []byte {
	if allSame(column) {
		return appendWhole(append(dst, columnSame), int64(column[0]), width)
	}
	start := len(dst)
	dst = append(dst, columnSteps)
	before := int64(0)
	for _, v := range column {
		dst = binary.AppendVarint(dst, int64(v)-before)
		before = int64(v)
	}
	if len(dst) < start+1+width*len(column) {
		return dst
	}
	dst = append(dst[:start], columnPlain)
	for _, v := range column {
		dst = appendWhole(dst, int64(v), width)
	}
	return dst
}

func allSame[T whole](column []T) bool {
	for _, v := range column {
		if v != column[0] {
			return false
		}
	}
	return true
}

// packFloats packs a column of values bit by bit.
func packFloats(dst []byte, column []float64) []byte {
	first, same := math.Float64bits(column[0]), true
	for _, v := range column {
		if math.Float64bits(v) != first {
			same = false
			break
		}
	}
	if same {
		return le.AppendUint64(append(dst, columnSame), first)
	}
	dst = append(dst, columnPlain)
	for _, v := range column {
		dst = le.AppendUint64(dst, math.Float64bits(v))
	}
	return dst
}

// unpacker reads the columns of a chunk of version 2. After the first thing
// that is wrong it reads nothing more.
type unpacker struct {
	rest []byte
	bad  bool
}

// unpackChunk checks a packed chunk of version 2 and adds its readings to c,
// all of them or none. It allocates only where c is too small.
func unpackChunk(data []byte, c *Columns) error {
	n := int(le.Uint16(data[2:]))
	if n < 1 || n > chunkMax {
		return fmt.Errorf("%w: %d readings", errChunk, n)
	}
	if packSum(data) != le.Uint32(data[4:]) {
		return fmt.Errorf("%w: wrong checksum", errChunk)
	}
	at := c.Len()
	c.extend(n)
	u := unpacker{rest: data[chunkHeader:]}
	unpackWhole(&u, c.T[at:], 8)
	for _, column := range [...][]float64{c.Set[at:], c.V[at:], c.I[at:]} {
		u.floats(column)
	}
	unpackWhole(&u, c.Point[at:], 4)
	unpackWhole(&u, c.Group[at:], 2)
	unpackWhole(&u, c.Flags[at:], 2)
	unpackWhole(&u, c.Pin[at:], 1)
	unpackWhole(&u, c.Channel[at:], 1)
	if u.bad || len(u.rest) > 0 {
		c.truncate(at)
		return fmt.Errorf("%w: its columns do not fit", errChunk)
	}
	return nil
}

// take returns the next n bytes, nil where there are fewer.
func (u *unpacker) take(n int) []byte {
	if u.bad || len(u.rest) < n {
		u.bad = true
		return nil
	}
	b := u.rest[:n]
	u.rest = u.rest[n:]
	return b
}

// form returns the encoding of the next column.
func (u *unpacker) form() int {
	if b := u.take(1); b != nil {
		return int(b[0])
	}
	return columnPlain // of which nothing will be taken
}

// floats fills a column of values.
func (u *unpacker) floats(column []float64) {
	switch u.form() {
	case columnSame:
		if b := u.take(8); b != nil {
			v := math.Float64frombits(le.Uint64(b))
			for i := range column {
				column[i] = v
			}
		}
	case columnPlain:
		if b := u.take(8 * len(column)); b != nil {
			for i := range column {
				column[i] = math.Float64frombits(le.Uint64(b[8*i:]))
			}
		}
	default:
		u.bad = true
	}
}

// unpackWhole fills a column of whole numbers of width bytes.
func unpackWhole[T whole](u *unpacker, column []T, width int) {
	switch u.form() {
	case columnSame:
		if b := u.take(width); b != nil {
			v := T(wholeOf(b))
			for i := range column {
				column[i] = v
			}
		}
	case columnPlain:
		if b := u.take(width * len(column)); b != nil {
			for i := range column {
				column[i] = T(wholeOf(b[i*width : (i+1)*width]))
			}
		}
	case columnSteps:
		v := int64(0)
		for i := range column {
			step, n := binary.Varint(u.rest)
			if n <= 0 {
				u.bad = true
				return
			}
			u.rest = u.rest[n:]
			v += step
			if column[i] = T(v); int64(column[i]) != v {
				u.bad = true
				return
			}
		}
	default:
		u.bad = true
	}
}

// wholeOf returns a whole number from its bytes.
func wholeOf(b []byte) int64 {
	v := uint64(0)
	for i, x := range b {
		v |= uint64(x) << (8 * i)
	}
	return int64(v)
}

package store

import (
	"fmt"
	"math"

	"ohmkeep/server/bench"
)

// A summary cuts each curve of a chunk (one pin, one group) into blocks of up
// to 64 of its readings, and keeps of each block the readings that a plot must
// show that gives it no more than one column: the first, the last, the lowest
// and highest of V and of I, and the first one in compliance. Little-endian:
//
//	0  version (2)
//	1  number of blocks; 0 where there are more than maxBlocks: unpack the data
//	2  per block: pin (1), group (2), then for each corner T (8), V (8), I (8),
//	   flags (2), index in the chunk (2; 0xFFFF: none)
//
// Version 1 had no I beside V; such a chunk is unpacked.
const (
	summaryVersion = 2
	blockReadings  = 64
	maxBlocks      = chunkMax/blockReadings + 8 // room for eight curves' last blocks
	noIndex        = -1
	packedNone     = 0xFFFF
	cornerSize     = 28
	blockSize      = 3 + int(corners)*cornerSize
)

// corner is why a reading is kept of a block.
type corner int

const (
	firstOf corner = iota
	lastOf
	lowestV
	highestV
	lowestI
	highestI
	limitedOf // first in compliance
	corners
)

// kept is a reading that is kept of a block.
type kept struct {
	t     int64
	v, i  float64
	flags bench.Flags
	index int64 // in the chunk; noIndex: none
}

// block is what a summary keeps of up to 64 readings of a curve.
type block struct {
	pin   uint8
	group uint16
	count int // while it is made
	at    [corners]kept
}

func newBlock(pin uint8, group uint16) block {
	b := block{pin: pin, group: group}
	for k := range b.at {
		b.at[k].index = noIndex
	}
	return b
}

// add takes the block's next reading.
func (b *block) add(r kept) {
	b.count++
	if b.at[firstOf].index == noIndex {
		b.at[firstOf] = r
	}
	b.at[lastOf] = r
	if !math.IsNaN(r.v) {
		if low := &b.at[lowestV]; low.index == noIndex || r.v < low.v {
			*low = r
		}
		if high := &b.at[highestV]; high.index == noIndex || r.v > high.v {
			*high = r
		}
	}
	if !math.IsNaN(r.i) {
		if low := &b.at[lowestI]; low.index == noIndex || r.i < low.i {
			*low = r
		}
		if high := &b.at[highestI]; high.index == noIndex || r.i > high.i {
			*high = r
		}
	}
	if b.at[limitedOf].index == noIndex && r.flags.Has(bench.InCompliance) {
		b.at[limitedOf] = r
	}
}

// role is why a plot of one quantity keeps a reading.
type role int

const (
	first role = iota
	last
	lowest
	highest
	limited // first in compliance
	marks
)

// mark is one reading's value of one quantity.
type mark struct {
	t     int64
	y     float64
	flags bench.Flags
	index int64 // in the measurement; noIndex: none
}

// collect adds a value to the marks; values come in order.
func collect(ms *[marks]mark, m mark) {
	if ms[first].index == noIndex {
		ms[first] = m
	}
	ms[last] = m
	if !math.IsNaN(m.y) {
		if ms[lowest].index == noIndex || m.y < ms[lowest].y {
			ms[lowest] = m
		}
		if ms[highest].index == noIndex || m.y > ms[highest].y {
			ms[highest] = m
		}
	}
	if ms[limited].index == noIndex && m.flags.Has(bench.InCompliance) {
		ms[limited] = m
	}
}

var noMarks = func() (ms [marks]mark) {
	for i := range ms {
		ms[i].index = noIndex
	}
	return ms
}()

// summarise fills dst with the blocks of c, or none where they are too many.
func summarise(dst []block, c *Columns) []block {
	dst = dst[:0]
	at := -1 // block of the reading before
	for k := range c.Len() {
		pin, group := c.Pin[k], c.Group[k]
		if at < 0 || dst[at].pin != pin || dst[at].group != group || dst[at].count == blockReadings {
			at = openBlock(dst, pin, group)
			if at == maxBlocks {
				return dst[:0]
			}
			if at == len(dst) {
				dst = append(dst, newBlock(pin, group))
			}
		}
		dst[at].add(kept{c.T[k], c.V[k], c.I[k], c.Flags[k], int64(k)})
	}
	return dst
}

// openBlock returns the index of the curve's block that has room, or the
// number of blocks where it has none.
func openBlock(blocks []block, pin uint8, group uint16) int {
	for i := range blocks {
		if b := &blocks[i]; b.pin == pin && b.group == group && b.count < blockReadings {
			return i
		}
	}
	return len(blocks)
}

func appendSummary(dst []byte, blocks []block) []byte {
	dst = append(dst, summaryVersion, byte(len(blocks)))
	for k := range blocks {
		b := &blocks[k]
		dst = append(dst, b.pin)
		dst = le.AppendUint16(dst, b.group)
		for _, r := range b.at {
			dst = le.AppendUint64(dst, uint64(r.t))
			dst = le.AppendUint64(dst, math.Float64bits(r.v))
			dst = le.AppendUint64(dst, math.Float64bits(r.i))
			dst = le.AppendUint16(dst, uint16(r.flags))
			dst = le.AppendUint16(dst, uint16(r.index)) // noIndex becomes packedNone
		}
	}
	return dst
}

// openSummary checks a summary and returns its blocks, packed. None means:
// unpack the data.
func openSummary(data []byte) ([]byte, error) {
	if len(data) >= 2 && data[0] == 1 {
		return nil, nil
	}
	if len(data) < 2 || data[0] != summaryVersion {
		return nil, fmt.Errorf("damaged summary: %d bytes", len(data))
	}
	if n := int(data[1]); n > maxBlocks || len(data) != 2+n*blockSize {
		return nil, fmt.Errorf("damaged summary: %d bytes for %d blocks", len(data), n)
	}
	return data[2:], nil
}

// decodeCorner unpacks one corner of a packed block.
func decodeCorner(data []byte, k corner) (kept, error) {
	m := data[3+int(k)*cornerSize:]
	r := kept{int64(le.Uint64(m)), math.Float64frombits(le.Uint64(m[8:])), math.Float64frombits(le.Uint64(m[16:])),
		bench.Flags(le.Uint16(m[24:])), int64(le.Uint16(m[26:]))}
	switch {
	case r.index == packedNone && k > lastOf:
		r.index = noIndex
	case r.index >= chunkMax:
		return r, fmt.Errorf("damaged summary: index %d", r.index)
	}
	return r, nil
}

// decodeBlocks adds all that the summary keeps to dst.
func decodeBlocks(dst []block, data []byte) ([]block, error) {
	data, err := openSummary(data)
	for ; err == nil && len(data) > 0; data = data[blockSize:] {
		dst = append(dst, block{pin: data[0], group: le.Uint16(data[1:])})
		b := &dst[len(dst)-1]
		for k := range b.at {
			if b.at[k], err = decodeCorner(data, corner(k)); err != nil {
				return dst, err
			}
		}
	}
	return dst, err
}

// span is a block of a summary as a plot of one quantity sees it.
type span struct {
	pin   uint8
	group uint16
	marks [marks]mark
}

// decodeSummary adds the blocks to dst, with the marks of V or of I by c.
// None means: unpack the data.
func decodeSummary(dst []span, data []byte, c column) ([]span, error) {
	pick := [marks]corner{firstOf, lastOf, lowestV, highestV, limitedOf}
	if c == columnI {
		pick[lowest], pick[highest] = lowestI, highestI
	}
	data, err := openSummary(data)
	for ; err == nil && len(data) > 0; data = data[blockSize:] {
		dst = append(dst, span{pin: data[0], group: le.Uint16(data[1:])})
		ms := &dst[len(dst)-1].marks
		for role, k := range pick {
			r, err := decodeCorner(data, k)
			if err != nil {
				return dst, err
			}
			ms[role] = mark{r.t, r.v, r.flags, r.index}
			if c == columnI {
				ms[role].y = r.i
			}
		}
	}
	return dst, err
}

package store

import (
	"fmt"
	"math"

	"ohmkeep/server/bench"
)

// A summary cuts each curve of a chunk (one pin, one group) into blocks of up
// to 64 of its readings, and says of each block what a plot must show that
// gives it no more than one column: the first, last, lowest and highest
// reading of V and of I, and the first one in compliance. Little-endian:
//
//	0  version (1)
//	1  number of blocks; 0 where there are more than maxBlocks: unpack the data
//	2  per block: pin (1), group (2), then five marks for V and five for I,
//	   each T (8), value (8), flags (2), index in the chunk (2; 0xFFFF: none)
const (
	summaryVersion = 1
	blockReadings  = 64
	maxBlocks      = chunkMax/blockReadings + 8 // room for eight curves' last blocks
	noIndex        = -1
	packedNone     = 0xFFFF
	markSize       = 20
	marksSize      = int(marks) * markSize
	blockSize      = 3 + 2*marksSize
)

// role is why a reading is in a summary.
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
	index int64 // in the chunk or, in a plot, in the measurement; noIndex: none
}

// block is what a summary keeps of up to 64 readings of a curve.
type block struct {
	pin   uint8
	group uint16
	count int // while it is made
	v, i  [marks]mark
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
				dst = append(dst, block{pin: pin, group: group, v: noMarks, i: noMarks})
			}
		}
		b := &dst[at]
		b.count++
		collect(&b.v, mark{c.T[k], c.V[k], c.Flags[k], int64(k)})
		collect(&b.i, mark{c.T[k], c.I[k], c.Flags[k], int64(k)})
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
		for _, ms := range [...]*[marks]mark{&b.v, &b.i} {
			for _, m := range ms {
				dst = le.AppendUint64(dst, uint64(m.t))
				dst = le.AppendUint64(dst, math.Float64bits(m.y))
				dst = le.AppendUint16(dst, uint16(m.flags))
				dst = le.AppendUint16(dst, uint16(m.index)) // noIndex becomes packedNone
			}
		}
	}
	return dst
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
	if len(data) < 2 || data[0] != summaryVersion {
		return dst, fmt.Errorf("damaged summary: %d bytes", len(data))
	}
	n := int(data[1])
	if n > maxBlocks || len(data) != 2+n*blockSize {
		return dst, fmt.Errorf("damaged summary: %d bytes for %d blocks", len(data), n)
	}
	skip := 3
	if c == columnI {
		skip += marksSize
	}
	for b := range n {
		data := data[2+b*blockSize:]
		dst = append(dst, span{pin: data[0], group: le.Uint16(data[1:])})
		ms := &dst[len(dst)-1].marks
		data = data[skip:]
		for k := range ms {
			m := data[k*markSize:]
			ms[k] = mark{int64(le.Uint64(m)), math.Float64frombits(le.Uint64(m[8:])), bench.Flags(le.Uint16(m[16:])), int64(le.Uint16(m[18:]))}
			switch {
			case ms[k].index == packedNone && k > int(last):
				ms[k].index = noIndex
			case ms[k].index >= chunkMax:
				return dst, fmt.Errorf("damaged summary: index %d", ms[k].index)
			}
		}
	}
	return dst, nil
}

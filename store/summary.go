package store

import (
	"fmt"
	"math"

	"ohmkeep/server/bench"
)

// A summary says of each curve in a chunk (one pin, one group) what a plot
// that gives the chunk no more than one column must show: the first, last,
// lowest and highest reading of V and of I, and the first one in compliance.
// Little-endian:
//
//	0  version (1)
//	1  number of curves; 0 where there are more than maxCurves: unpack the data
//	2  per curve: pin (1), group (2), then five marks for V and five for I,
//	   each T (8), value (8), flags (2), index in the chunk (2; 0xFFFF: none)
const (
	summaryVersion = 1
	maxCurves      = 8
	markSize       = 20
	curveSize      = 3 + 2*int(marks)*markSize
	noIndex        = 0xFFFF
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
	index uint16
}

// curve is what a summary keeps of one pin and group.
type curve struct {
	pin   uint8
	group uint16
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

// summarise fills dst with the curves of c, or none where they are too many.
func summarise(dst []curve, c *Columns) []curve {
	dst = dst[:0]
	at := 0
	for k := range c.Len() {
		pin, group := c.Pin[k], c.Group[k]
		if at >= len(dst) || dst[at].pin != pin || dst[at].group != group {
			for at = 0; at < len(dst); at++ {
				if dst[at].pin == pin && dst[at].group == group {
					break
				}
			}
			if at == maxCurves {
				return dst[:0]
			}
			if at == len(dst) {
				dst = append(dst, curve{pin: pin, group: group, v: noMarks, i: noMarks})
			}
		}
		collect(&dst[at].v, mark{c.T[k], c.V[k], c.Flags[k], uint16(k)})
		collect(&dst[at].i, mark{c.T[k], c.I[k], c.Flags[k], uint16(k)})
	}
	return dst
}

func appendSummary(dst []byte, curves []curve) []byte {
	dst = append(dst, summaryVersion, byte(len(curves)))
	for k := range curves {
		c := &curves[k]
		dst = append(dst, c.pin)
		dst = le.AppendUint16(dst, c.group)
		for _, ms := range [...]*[marks]mark{&c.v, &c.i} {
			for _, m := range ms {
				dst = le.AppendUint64(dst, uint64(m.t))
				dst = le.AppendUint64(dst, math.Float64bits(m.y))
				dst = le.AppendUint16(dst, uint16(m.flags))
				dst = le.AppendUint16(dst, m.index)
			}
		}
	}
	return dst
}

// decodeSummary adds the curves to dst; none means: unpack the data.
func decodeSummary(dst []curve, data []byte) ([]curve, error) {
	if len(data) < 2 || data[0] != summaryVersion {
		return dst, fmt.Errorf("damaged summary: %d bytes", len(data))
	}
	n := int(data[1])
	if n > maxCurves || len(data) != 2+n*curveSize {
		return dst, fmt.Errorf("damaged summary: %d bytes for %d curves", len(data), n)
	}
	data = data[2:]
	for range n {
		c := curve{pin: data[0], group: le.Uint16(data[1:])}
		data = data[3:]
		for _, ms := range [...]*[marks]mark{&c.v, &c.i} {
			for k := range ms {
				m := mark{int64(le.Uint64(data)), math.Float64frombits(le.Uint64(data[8:])),
					bench.Flags(le.Uint16(data[16:])), le.Uint16(data[18:])}
				if m.index >= chunkMax && m.index != noIndex {
					return dst, fmt.Errorf("damaged summary: index %d", m.index)
				}
				ms[k], data = m, data[markSize:]
			}
		}
		dst = append(dst, c)
	}
	return dst, nil
}

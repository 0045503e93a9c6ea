package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"

	"ohmkeep/server/bench"
)

// A packed chunk of version 1, little-endian; see packChunk for version 2, which
// is what is written:
//
//	0  version (1)
//	1  zero
//	2  count, 1 to 1024
//	4  CRC-32C (RFC 3720) of everything after the header
//	8  the columns one after another: T, Set, V, I (8 bytes each), Point (4),
//	   Group, Flags (2), Pin, Channel (1)
const (
	chunkMax     = 1024
	chunkVersion = 1
	chunkHeader  = 8
	readingSize  = 42
)

var (
	le         = binary.LittleEndian
	castagnoli = crc32.MakeTable(crc32.Castagnoli)
)

var errChunk = errors.New("damaged chunk of readings")

// packed is a checked chunk of version 1. Its values are read from its bytes
// as they are needed, without a copy.
type packed struct {
	body []byte // after the header
	n    int
}

// openChunk checks a chunk: version, count, length and checksum.
func openChunk(data []byte) (packed, error) {
	if len(data) < chunkHeader {
		return packed{}, fmt.Errorf("%w: %d bytes", errChunk, len(data))
	}
	if data[0] != chunkVersion || data[1] != 0 {
		return packed{}, fmt.Errorf("%w: version %d.%d", errChunk, data[0], data[1])
	}
	n := int(le.Uint16(data[2:]))
	body := data[chunkHeader:]
	if n < 1 || n > chunkMax || len(body) != n*readingSize {
		return packed{}, fmt.Errorf("%w: %d bytes for %d readings", errChunk, len(data), n)
	}
	if crc32.Checksum(body, castagnoli) != le.Uint32(data[4:]) {
		return packed{}, fmt.Errorf("%w: wrong checksum", errChunk)
	}
	return packed{body, n}, nil
}

func (p packed) word(column, i int) uint64 { return le.Uint64(p.body[8*(column*p.n+i):]) }

func (p packed) t(i int) int64                 { return int64(p.word(0, i)) }
func (p packed) point(i int) uint32            { return le.Uint32(p.body[32*p.n+4*i:]) }
func (p packed) group(i int) uint16            { return le.Uint16(p.body[36*p.n+2*i:]) }
func (p packed) flags(i int) bench.Flags       { return bench.Flags(le.Uint16(p.body[38*p.n+2*i:])) }
func (p packed) channel(i int) bench.ChannelID { return bench.ChannelID(p.body[41*p.n+i]) }

// decode adds the readings to c. It allocates only where c is too small.
func (p packed) decode(c *Columns) {
	at := c.Len()
	c.extend(p.n)
	for i := range p.n {
		c.T[at+i] = p.t(i)
	}
	for k, column := range [...][]float64{c.Set, c.V, c.I} {
		words := p.body[8*p.n*(k+1):]
		for i := range p.n {
			column[at+i] = math.Float64frombits(le.Uint64(words[8*i:]))
		}
	}
	for i := range p.n {
		c.Point[at+i] = p.point(i)
		c.Group[at+i] = p.group(i)
		c.Flags[at+i] = p.flags(i)
		c.Channel[at+i] = p.channel(i)
	}
	copy(c.Pin[at:], p.body[40*p.n:41*p.n])
}

// checkChunk holds a packed chunk of any version against its checksum.
func checkChunk(data []byte) error {
	if len(data) < chunkHeader || data[0] != packVersion || data[1] != 0 {
		_, err := openChunk(data)
		return err
	}
	if packSum(data) != le.Uint32(data[4:]) {
		return fmt.Errorf("%w: wrong checksum", errChunk)
	}
	return nil
}

// decodeChunk checks a packed chunk and adds its readings to c.
func decodeChunk(data []byte, c *Columns) error {
	if len(data) >= chunkHeader && data[0] == packVersion && data[1] == 0 {
		return unpackChunk(data, c)
	}
	p, err := openChunk(data)
	if err != nil {
		return err
	}
	p.decode(c)
	return nil
}

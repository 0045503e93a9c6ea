package store

import (
	"errors"
	"fmt"
	"hash/crc32"
	"iter"
)

// A tail page holds records of readings that no chunk holds yet, little-endian:
//
//	0  version (2; 1 where the checksum is of the page alone)
//	1  three zeros
//	4  CRC-32C (RFC 3720) of the number of the run (8) and everything after the
//	   header
//	8  records one after another: length of the packed readings (2),
//	   measurement (4), index of the first reading in the measurement (8),
//	   the readings, packed as a chunk
//	   zeros to the end
//
// A row with a page fits in a page of 4 KiB of the database without overflow:
// 4061 bytes (SQLite's file format, section 1.6), of which 22 at most are the
// row's other columns.
const (
	tailPageSize    = 4032
	tailPageVersion = 2
	tailPageHeader  = 8
	tailRecordHead  = 14
	// tailRecordMost is the number of readings that surely fit in an empty
	// page.
	tailRecordMost = (tailPageSize - tailPageHeader - tailRecordHead - chunkHeader - 9) / readingSize
)

var errTailPage = errors.New("damaged page of readings")

// tailRecord is a stretch of readings of a measurement in a tail page.
type tailRecord struct {
	measurement int
	first       int64
	packed      []byte
}

// tailPage is a page being filled.
type tailPage struct {
	data []byte // tailPageSize
	used int
}

func newTailPage() tailPage {
	p := tailPage{data: make([]byte, tailPageSize)}
	p.clear()
	return p
}

// clear empties the page.
func (p *tailPage) clear() {
	clear(p.data)
	p.data[0], p.used = tailPageVersion, tailPageHeader
}

// add appends a record, and reports whether there was room for it.
func (p *tailPage) add(r tailRecord) bool {
	if p.used+tailRecordHead+len(r.packed) > len(p.data) {
		return false
	}
	head := p.data[p.used:]
	le.PutUint16(head, uint16(len(r.packed)))
	le.PutUint32(head[2:], uint32(r.measurement))
	le.PutUint64(head[6:], uint64(r.first))
	p.used += tailRecordHead + copy(head[tailRecordHead:], r.packed)
	return true
}

// seal writes the checksum of a page of a run.
func (p *tailPage) seal(run int64) {
	le.PutUint32(p.data[4:], tailSum(p.data, run))
}

// tailSum is the checksum of a page of a run, by the page's version.
func tailSum(data []byte, run int64) uint32 {
	var of []byte
	if data[0] != 1 {
		of = le.AppendUint64(nil, uint64(run))
	}
	return crc32.Update(crc32.Checksum(of, castagnoli), castagnoli, data[tailPageHeader:])
}

// openTailPage checks a stored page of a run.
func openTailPage(data []byte, run int64) (tailPage, error) {
	if len(data) != tailPageSize {
		return tailPage{}, fmt.Errorf("%w: %d bytes", errTailPage, len(data))
	}
	if data[0] < 1 || data[0] > tailPageVersion || data[1] != 0 || data[2] != 0 || data[3] != 0 {
		return tailPage{}, fmt.Errorf("%w: version %d.%d", errTailPage, data[0], data[1])
	}
	if tailSum(data, run) != le.Uint32(data[4:]) {
		return tailPage{}, fmt.Errorf("%w: wrong checksum", errTailPage)
	}
	p := tailPage{data: data, used: tailPageHeader}
	for r, err := range p.records() {
		if err != nil {
			return tailPage{}, err
		}
		p.used += tailRecordHead + len(r.packed)
	}
	return p, nil
}

// records are the page's records in the order in which they came. Their
// readings lie in the page.
func (p *tailPage) records() iter.Seq2[tailRecord, error] {
	return func(yield func(tailRecord, error) bool) {
		rest := p.data[tailPageHeader:]
		for len(rest) >= tailRecordHead {
			n := int(le.Uint16(rest))
			if n == 0 {
				return
			}
			if n > len(rest)-tailRecordHead {
				yield(tailRecord{}, fmt.Errorf("%w: a record of %d bytes", errTailPage, n))
				return
			}
			r := tailRecord{int(int32(le.Uint32(rest[2:]))), int64(le.Uint64(rest[6:])), rest[tailRecordHead : tailRecordHead+n]}
			if !yield(r, nil) {
				return
			}
			rest = rest[tailRecordHead+n:]
		}
	}
}

package store

import (
	"bufio"
	"encoding/binary"
	"errors"
	"io"
	"os"
)

// Sizes of the parts of a write-ahead log, in bytes: SQLite's file format, "The
// WAL File Format" (https://sqlite.org/fileformat2.html#walformat).
const (
	logHead   = 32
	frameHead = 24
)

// logDamaged reports whether the write-ahead log beside a database is damaged in
// its midst. SQLite takes the first frame whose checksum is wrong for the end of
// the log, and whatever was committed behind it is lost without a word. A power
// cut leaves a last commit in pieces, too; but a commit is on the disk before the
// next one begins. So a log in which a frame stands behind a commit that stands
// behind a wrong frame was whole once. A log without a database, or none, is not
// damaged; one that somebody begins anew meanwhile is not looked at.
func logDamaged(path string) (damaged bool, err error) {
	f, err := os.Open(path + "-wal")
	if errors.Is(err, os.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	head := make([]byte, logHead)
	if _, err := io.ReadFull(f, head); err != nil {
		return false, nil // nothing was committed to it
	}
	damaged = readsPastDamage(head, bufio.NewReaderSize(f, 1<<18))
	if !damaged {
		return false, nil
	}
	now := make([]byte, logHead)
	_, err = f.ReadAt(now, 0)
	return err == nil && string(now) == string(head), err
}

// readsPastDamage reads the frames behind the head of a log.
func readsPastDamage(head []byte, frames io.Reader) bool {
	order := binary.ByteOrder(binary.LittleEndian)
	if head[3]&1 != 0 { // of the magic number: the checksums are big-endian
		order = binary.BigEndian
	}
	sum := logSum{order: order}
	sum.add(head[:24])
	size := binary.BigEndian.Uint32(head[8:])
	if size < 512 || size > 1<<16 {
		return false // no log that can be read
	}
	wrong := !sum.is(head[24:])
	frame := make([]byte, frameHead+size)
	for committed := false; ; {
		if _, err := io.ReadFull(frames, frame); err != nil {
			return false
		}
		if string(frame[8:16]) != string(head[16:24]) { // the salts: of a log before, or damaged
			wrong = true
			continue
		}
		if committed {
			return true
		}
		if !wrong {
			sum.add(frame[:8])
			sum.add(frame[frameHead:])
			wrong = !sum.is(frame[16:frameHead])
		}
		// A commit says how many pages the database has then.
		committed = wrong && binary.BigEndian.Uint32(frame[4:]) != 0
	}
}

// logSum is the running checksum of a log.
type logSum struct {
	order  binary.ByteOrder
	s0, s1 uint32
}

// add goes on with bytes, eight by eight.
func (c *logSum) add(b []byte) {
	for i := 0; i+8 <= len(b); i += 8 {
		c.s0 += c.order.Uint32(b[i:]) + c.s1
		c.s1 += c.order.Uint32(b[i+4:]) + c.s0
	}
}

// is reports whether the checksum is the one that is stored: two big-endian numbers.
func (c *logSum) is(stored []byte) bool {
	return binary.BigEndian.Uint32(stored) == c.s0 && binary.BigEndian.Uint32(stored[4:]) == c.s1
}

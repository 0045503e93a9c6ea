package store

import (
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// csvWriter writes records as RFC 4180 has them: comma, CRLF, quotes only
// where they are needed. Cells are added one by one, and end ends a record.
type csvWriter struct {
	w   io.Writer
	buf []byte
	err error
}

// csvFlush is the size of one write of text, in bytes. A report waits for its
// turn after each.
const csvFlush = 128 << 10

func newCSV(w io.Writer, header ...string) *csvWriter {
	return &csvWriter{w: w, buf: appendRecord(make([]byte, 0, 4096), header)}
}

// appendRecord adds a record of texts.
func appendRecord(dst []byte, cells []string) []byte {
	for _, text := range cells {
		dst = append(appendText(dst, text), ',')
	}
	return append(dst[:len(dst)-1], "\r\n"...)
}

func (c *csvWriter) text(s string)    { c.buf = append(appendText(c.buf, s), ',') }
func (c *csvWriter) number(v float64) { c.buf = append(appendNumber(c.buf, v), ',') }
func (c *csvWriter) integer(v int64)  { c.buf = append(strconv.AppendInt(c.buf, v, 10), ',') }

// time writes an RFC 3339 time in UTC; the zero time is an empty cell.
func (c *csvWriter) time(t time.Time) {
	if !t.IsZero() {
		c.buf = t.UTC().AppendFormat(c.buf, time.RFC3339Nano)
	}
	c.buf = append(c.buf, ',')
}

func (c *csvWriter) optional(v *float64) {
	if v == nil {
		c.text("")
		return
	}
	c.number(*v)
}

// yes writes a truth value as "yes" or "no".
func (c *csvWriter) yes(b bool) {
	if b {
		c.text("yes")
		return
	}
	c.text("no")
}

// end ends the record in place of its last comma.
func (c *csvWriter) end() error {
	c.buf = append(c.buf[:len(c.buf)-1], "\r\n"...)
	if len(c.buf) >= csvFlush {
		c.flush()
	}
	return c.err
}

func (c *csvWriter) flush() {
	if c.err == nil && len(c.buf) > 0 {
		_, c.err = c.w.Write(c.buf)
	}
	c.buf = c.buf[:0]
}

// Close writes what is left and returns the first error. It leaves the
// underlying writer open.
func (c *csvWriter) Close() error {
	c.flush()
	return c.err
}

// dangerous are the first characters that make a spreadsheet take a text for
// a formula: OWASP ASVS 5.0, 1.2.10, and the OWASP page on CSV injection; the
// full-width forms are from memory.
const dangerous = "=+-@\t\x00\r\n\uFF1D\uFF0B\uFF0D\uFF20"

// appendText adds a text cell. A text that a spreadsheet could run gets a
// single quote in front.
func appendText(dst []byte, s string) []byte {
	risky := false
	for _, first := range s {
		risky = strings.ContainsRune(dangerous, first)
		break
	}
	if !strings.ContainsAny(s, ",\"\r\n") {
		if risky {
			dst = append(dst, '\'')
		}
		return append(dst, s...)
	}
	dst = append(dst, '"')
	if risky {
		dst = append(dst, '\'')
	}
	for i := range len(s) {
		if s[i] == '"' {
			dst = append(dst, '"')
		}
		dst = append(dst, s[i])
	}
	return append(dst, '"')
}

// appendNumber adds the shortest decimal that reads back as v; NaN is an
// empty cell. It is a number by type, so its sign needs no quote.
func appendNumber(dst []byte, v float64) []byte {
	if math.IsNaN(v) {
		return dst
	}
	return strconv.AppendFloat(dst, v, 'g', -1, 64)
}

// appendSeconds adds nanoseconds as exact seconds.
func appendSeconds(dst []byte, ns int64) []byte {
	u := uint64(ns)
	if ns < 0 {
		dst = append(dst, '-')
		u = -u
	}
	dst = strconv.AppendUint(dst, u/1e9, 10)
	rest := u % 1e9
	if rest == 0 {
		return dst
	}
	var digits [10]byte
	digits[0] = '.'
	for i := 9; i > 0; i-- {
		digits[i] = byte('0' + rest%10)
		rest /= 10
	}
	n := len(digits)
	for digits[n-1] == '0' {
		n--
	}
	return append(dst, digits[:n]...)
}

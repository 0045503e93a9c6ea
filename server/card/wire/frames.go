package wire

import "bytes"

// maxLine is the largest length of a line, in bytes without its end. The
// protocol's answers are far shorter; what is longer is no answer.
const maxLine = 64 << 10

// piece is the result of one call of next.
type piece uint8

const (
	nothing piece = iota // the bytes are used up; a line may be under way
	whole                // a line
	garbled              // the line under way is none; said once for it
)

// frames is the splitter of received bytes, in whatever pieces they come, into
// lines. A line ends with LF. CRs where it starts and ends are no part of it,
// and an empty line is nothing. A line that is too long, or that has a byte
// other than printable ASCII and TAB in it, is garbled; that is said as soon
// as it shows, and the rest of it is thrown away.
type frames struct {
	part []byte // of the line under way; never starts with CR
	bad  bool   // the line under way is garbled
}

// next takes bytes from p up to the end of a line and returns what they were,
// and the rest of p. The line is valid until the next call and as long as p.
func (f *frames) next(p []byte) (found piece, line, rest []byte) {
	for len(p) > 0 {
		end := bytes.IndexByte(p, '\n')
		if end < 0 {
			if f.keep(p) {
				return garbled, nil, nil
			}
			return nothing, nil, nil
		}
		text, after := p[:end], p[end+1:]
		p = after
		if f.bad {
			f.drop()
			continue
		}
		if len(f.part) > 0 {
			if f.keep(text) {
				f.drop()
				return garbled, nil, after
			}
			text, f.part = f.part, f.part[:0]
		}
		text = bytes.Trim(text, "\r")
		switch {
		case len(text) == 0:
		case len(text) > maxLine || !isText(text):
			return garbled, nil, after
		default:
			return whole, text, after
		}
	}
	return nothing, nil, nil
}

// keep appends to the line under way, and reports whether that made it
// garbled.
func (f *frames) keep(p []byte) bool {
	if f.bad {
		return false
	}
	if len(f.part) == 0 {
		p = bytes.TrimLeft(p, "\r")
	}
	// A CR may be the line's end: next looks at those once it is whole.
	ok := true
	for _, c := range p {
		ok = ok && (c == '\r' || textByte(c))
	}
	if !ok || len(f.part)+len(p) > maxLine {
		f.bad, f.part = true, f.part[:0]
		return true
	}
	f.part = append(f.part, p...)
	return false
}

// drop forgets the line under way.
func (f *frames) drop() { f.part, f.bad = f.part[:0], false }

// underWay reports whether part of a line has come.
func (f *frames) underWay() bool { return f.bad || len(f.part) > 0 }

func isText(line []byte) bool {
	for _, c := range line {
		if !textByte(c) {
			return false
		}
	}
	return true
}

func textByte(c byte) bool { return c >= ' ' && c <= '~' || c == '\t' }

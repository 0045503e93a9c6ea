package store

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"ohmkeep/server/dut"
)

// strictJSON reads one JSON document: it refuses unknown fields, anything behind
// it, and texts that no form and no API takes.
func strictJSON(data []byte, into any) error {
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	if err := dec.Decode(into); err != nil {
		return &Error{Code: Invalid, Message: fmt.Sprintf("it is not what this program writes, or a newer program wrote it (%v)", err), Err: err}
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return errorf(Invalid, "something follows the document")
	}
	return nil
}

// compacted is a JSON document without white space, as it is stored; nil stays
// nil.
func compacted(doc json.RawMessage) json.RawMessage {
	var out bytes.Buffer
	if doc == nil || json.Compact(&out, doc) != nil {
		return doc // what is no JSON is refused where it is read
	}
	return out.Bytes()
}

// eachLine calls fn with each document of a block of JSON lines.
func eachLine[T any](block []byte, fn func(*T) error) error {
	for line := range bytes.Lines(block) {
		x := new(T)
		if err := strictJSON(line, x); err != nil {
			return err
		}
		if err := fn(x); err != nil {
			return err
		}
	}
	return nil
}

// textsOf refuses a document with a text that no form takes: with characters
// that cannot be seen or that change the direction of what follows.
func textsOf(data []byte) error {
	dec := json.NewDecoder(bytes.NewReader(data))
	for {
		token, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if text, is := token.(string); is {
			if words := (dut.Text{Lines: true}).Check(text); words != "" {
				return errorf(Invalid, "a text in it %s", words)
			}
		}
	}
}

// lineBlock gathers JSON lines and writes them as parts.
type lineBlock struct {
	name  func(block int) string
	write func(name string, body []byte) error
	body  []byte
	n     int
}

func (b *lineBlock) add(x any) error {
	line, err := json.Marshal(x)
	if err != nil {
		return err
	}
	b.body = append(append(b.body, line...), '\n')
	if len(b.body) < blockBytes {
		return nil
	}
	return b.flush()
}

func (b *lineBlock) flush() error {
	if len(b.body) == 0 {
		return nil
	}
	b.n++
	err := b.write(b.name(b.n), b.body)
	b.body = b.body[:0]
	return err
}

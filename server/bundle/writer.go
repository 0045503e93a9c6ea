package bundle

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
)

// Writer writes a bundle.
type Writer struct {
	zip  *gzip.Writer
	tar  *tar.Writer
	sums bytes.Buffer // SHA256SUMS so far
	sum  string       // of the whole, once it is closed
	all  int64        // bytes of the parts
}

// NewWriter begins a bundle with its header; the format and its version are
// filled in. The caller closes it.
func NewWriter(w io.Writer, h Header) (*Writer, error) {
	h.Format, h.Version = Format, Version
	body, err := json.MarshalIndent(h, "", "  ")
	if err != nil {
		return nil, err
	}
	z, err := gzip.NewWriterLevel(w, gzip.BestSpeed)
	if err != nil {
		return nil, err
	}
	out := &Writer{zip: z, tar: tar.NewWriter(z)}
	return out, out.part(headerName, append(body, '\n'))
}

// Part writes a part. Its name is lower case, with digits, hyphens and slashes,
// and ends in .json, .jsonl, .bin or .gz.
func (w *Writer) Part(name string, body []byte) error {
	if !validName(name) {
		return fmt.Errorf("bundle: %q cannot name a part", name)
	}
	return w.part(name, body)
}

func (w *Writer) part(name string, body []byte) error {
	if w.all += int64(len(body)); len(body) > PartMost || w.all > ContentMost {
		return fmt.Errorf("bundle: part %s is too large: %d bytes, %d with those before", name, len(body), w.all)
	}
	sum := sha256.Sum256(body)
	fmt.Fprintf(&w.sums, "%x  %s\n", sum, name)
	return w.entry(name, body)
}

func (w *Writer) entry(name string, body []byte) error {
	err := w.tar.WriteHeader(&tar.Header{Typeflag: tar.TypeReg, Name: name, Size: int64(len(body)), Mode: 0o644, Format: tar.FormatUSTAR})
	if err == nil {
		_, err = w.tar.Write(body)
	}
	return err
}

// Close writes the sums and the end. It closes no writer below.
func (w *Writer) Close() error {
	if w.sums.Len() > ContentMost/64 {
		return errors.New("bundle: too many parts")
	}
	sum := sha256.Sum256(w.sums.Bytes())
	w.sum = hex.EncodeToString(sum[:])
	if err := w.entry(sumsName, w.sums.Bytes()); err != nil {
		return err
	}
	return errors.Join(w.tar.Close(), w.zip.Close())
}

// Sum is the SHA-256 of the whole, in hexadecimal digits, after Close.
func (w *Writer) Sum() string { return w.sum }

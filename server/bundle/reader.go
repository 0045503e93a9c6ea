package bundle

import (
	"archive/tar"
	"bufio"
	"bytes"
	"compress/flate"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"

	"ohmkeep/server/problem"
)

// Reader reads a bundle, part by part. Every error that is the file's fault is a
// problem with a sentence for people; what it has given out counts only once Next
// has returned io.EOF.
type Reader struct {
	// Header is the file's first part.
	Header Header

	below *source
	zip   *gzip.Reader
	tar   *tar.Reader
	lines hash.Hash // of the lines of SHA256SUMS as they must be
	long  int64     // bytes of those
	body  bytes.Buffer
	all   int64
	sum   string
}

// source is the file below, which remembers an error of its own.
type source struct {
	*bufio.Reader
	from io.Reader
	err  error
}

// Read reads the file itself, for the buffer.
func (s *source) read(p []byte) (int, error) {
	n, err := s.from.Read(p)
	if err != nil && !errors.Is(err, io.EOF) {
		s.err = err
	}
	return n, err
}

type readerFunc func([]byte) (int, error)

func (f readerFunc) Read(p []byte) (int, error) { return f(p) }

// NewReader begins to read a bundle: its first part says what it is.
func NewReader(from io.Reader) (*Reader, error) {
	r := &Reader{below: &source{from: from}, lines: sha256.New()}
	r.below.Reader = bufio.NewReaderSize(readerFunc(r.below.read), 64<<10)
	z, err := gzip.NewReader(r.below.Reader)
	if r.below.err != nil {
		return nil, r.below.err
	}
	if err != nil {
		return nil, errNotOurs
	}
	z.Multistream(false)
	if h := z.Header; h.Name != "" || h.Comment != "" || len(h.Extra) > 0 || !h.ModTime.IsZero() {
		return nil, errNotOurs
	}
	r.zip, r.tar = z, tar.NewReader(z)
	name, err := r.entry(headerMost)
	if err != nil || name != headerName {
		return nil, r.fault(err, errNotOurs)
	}
	if err := r.readHeader(); err != nil {
		return nil, err
	}
	r.note(headerName)
	return r, nil
}

// readHeader reads the first part. Of a newer version only the version is read.
func (r *Reader) readHeader() error {
	var version struct {
		Format  string `json:"format"`
		Version int    `json:"version"`
	}
	if err := json.Unmarshal(r.body.Bytes(), &version); err != nil || version.Format != Format || version.Version < 1 {
		return errNotOurs
	}
	if version.Version > Version {
		return problem.New(problem.TooNew, fmt.Sprintf("The file is of version %d of its format, and this program knows versions up to %d: use a newer program.",
			version.Version, Version))
	}
	dec := json.NewDecoder(bytes.NewReader(r.body.Bytes()))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&r.Header); err != nil {
		return errChanged
	}
	return nil
}

// Next returns the next part. Its bytes are good until the call after. After the
// last one the sums are held against what was read, and io.EOF is returned.
func (r *Reader) Next() (name string, body []byte, err error) {
	if r.sum != "" {
		return "", nil, io.EOF
	}
	name, err = r.entry(PartMost)
	switch {
	case errors.Is(err, io.EOF):
		return "", nil, errCutOff
	case err != nil:
		return "", nil, err
	case name == sumsName:
		return "", nil, r.end()
	case !validName(name):
		return "", nil, bad(fmt.Sprintf("The file holds %q, which no bundle does.", clip(name)))
	}
	r.note(name)
	return name, r.body.Bytes(), nil
}

// entry reads the next entry of the archive, of at most so many bytes. The sums
// are only hashed. It fails with io.EOF where there is none.
func (r *Reader) entry(most int64) (string, error) {
	h, err := r.tar.Next()
	if errors.Is(err, io.EOF) {
		return "", io.EOF
	}
	if err != nil {
		return "", r.fault(err, errChanged)
	}
	if h.Typeflag != tar.TypeReg || len(h.PAXRecords) > 0 || h.Linkname != "" {
		return "", bad(fmt.Sprintf("The file holds %q, which is no plain part: no bundle does.", clip(h.Name)))
	}
	r.body.Reset()
	if h.Name == sumsName {
		return sumsName, nil
	}
	if r.all += h.Size; h.Size > most || r.all > ContentMost {
		return "", problem.New(problem.TooLarge, fmt.Sprintf("The part %q says that it has %d bytes, and %d with those before: no bundle has.", clip(h.Name), h.Size, r.all))
	}
	if _, err := io.CopyN(&r.body, r.tar, h.Size); err != nil {
		return "", r.fault(err, errChanged)
	}
	return h.Name, nil
}

// note adds the line of a part to the sums as they must be.
func (r *Reader) note(name string) {
	n, _ := fmt.Fprintf(r.lines, "%x  %s\n", sha256.Sum256(r.body.Bytes()), name) // a hash takes everything
	r.long += int64(n)
}

// end reads the sums, which must be those of what was read, and sees to it that
// nothing follows.
func (r *Reader) end() error {
	sums := sha256.New()
	n, err := io.Copy(sums, io.LimitReader(r.tar, r.long+1))
	if err != nil {
		return r.fault(err, errChanged)
	}
	whole := sums.Sum(nil)
	if n != r.long || !bytes.Equal(whole, r.lines.Sum(nil)) {
		return bad("The file is damaged: its checksums are not those of what it holds. Copy it again, or export again.")
	}
	if _, err := r.tar.Next(); !errors.Is(err, io.EOF) {
		return r.fault(err, bad("Something follows the end of the bundle: it is not as it was written."))
	}
	rest, err := io.Copy(io.Discard, io.LimitReader(r.zip, 1))
	if err == nil && rest == 0 {
		_, err = r.below.ReadByte()
		if errors.Is(err, io.EOF) {
			r.sum = hex.EncodeToString(whole)
			return io.EOF
		}
	}
	return r.fault(err, bad("Something follows the end of the bundle: it is not as it was written."))
}

// Sum is the SHA-256 that names the whole by its content, in hexadecimal digits;
// "" until Next has returned io.EOF.
func (r *Reader) Sum() string { return r.sum }

// fault returns what is wrong: an error of the disk as it is, a file that ends
// too early as such, what was refused already as it is, and anything else as
// otherwise says.
func (r *Reader) fault(err, otherwise error) error {
	var corrupt flate.CorruptInputError
	switch {
	case r.below.err != nil:
		return r.below.err
	case errors.Is(err, io.ErrUnexpectedEOF) || r.zip != nil && errors.Is(err, io.EOF):
		return errCutOff
	case errors.As(err, &corrupt), errors.Is(err, gzip.ErrChecksum):
		return errChanged
	case problem.CodeOf(err) != "":
		return err
	}
	return otherwise
}

// clip shortens a name for a message.
func clip(s string) string {
	if len(s) > 80 {
		return s[:80] + "…"
	}
	return s
}

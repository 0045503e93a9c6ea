package bundle_test

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ohmkeep/server/bundle"
	"ohmkeep/server/problem"
)

var header = bundle.Header{Made: time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC), Server: "https://lab.example", By: "Ann", Program: "test", Choice: "everything"}

type part struct{ Name, Body string }

// written is a bundle of parts.
func written(t testing.TB, parts ...part) ([]byte, string) {
	t.Helper()
	var out bytes.Buffer
	w, err := bundle.NewWriter(&out, header)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range parts {
		if err := w.Part(p.Name, []byte(p.Body)); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes(), w.Sum()
}

// read reads a whole bundle.
func read(data []byte) (parts []part, sum string, err error) {
	r, err := bundle.NewReader(bytes.NewReader(data))
	if err != nil {
		return nil, "", err
	}
	for {
		name, body, err := r.Next()
		if errors.Is(err, io.EOF) {
			return parts, r.Sum(), nil
		}
		if err != nil {
			return nil, "", err
		}
		parts = append(parts, part{name, string(body)})
	}
}

var some = []part{{"documents/00001.json", `{"kind":"device"}`}, {"runs/000001/head.json", strings.Repeat("head ", 300)},
	{"runs/000001/readings-0001.bin", string([]byte{0, 1, 2, 0xff})}, {"contents.json", ""}}

// TestRoundTrip: what was written is read, in its order, and the sum of the whole
// follows from the content alone.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.StringMatching(`[a-z0-9]{1,9}/[a-z0-9]{1,9}-[0-9]{1,4}\.(json|jsonl|bin|gz)`)
		var parts []part
		for range rapid.IntRange(0, 12).Draw(t, "parts") {
			parts = append(parts, part{name.Draw(t, "name"), string(rapid.SliceOfN(rapid.Byte(), 0, 5000).Draw(t, "body"))})
		}
		var out bytes.Buffer
		w, err := bundle.NewWriter(&out, header)
		for _, p := range parts {
			err = errors.Join(err, w.Part(p.Name, []byte(p.Body)))
		}
		if err := errors.Join(err, w.Close()); err != nil {
			t.Fatal(err)
		}
		got, sum, err := read(out.Bytes())
		if err != nil || sum != w.Sum() || len(sum) != 64 {
			t.Fatalf("%v, %q and %q", err, sum, w.Sum())
		}
		if d := cmp.Diff(parts, got); d != "" {
			t.Fatal(d)
		}
	})
}

// TestOpenStandards: the tools of every system unpack the file and verify it.
func TestOpenStandards(t *testing.T) {
	for _, tool := range []string{"tar", "sha256sum"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skip(err)
		}
	}
	data, _ := written(t, some...)
	dir := t.TempDir()
	unpack := exec.CommandContext(t.Context(), "tar", "-xz", "-C", dir)
	unpack.Stdin = bytes.NewReader(data)
	if out, err := unpack.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	verify := exec.CommandContext(t.Context(), "sha256sum", "-c", "SHA256SUMS")
	verify.Dir = dir
	out, err := verify.CombinedOutput()
	if err != nil || strings.Count(string(out), ": OK") != len(some)+1 {
		t.Fatalf("%v: %s", err, out)
	}
	if names, _ := filepath.Glob(filepath.Join(dir, "*")); len(names) != 5 {
		t.Errorf("%q", names)
	}
}

// TestEveryTruncation: a file that ends anywhere before its end is refused.
func TestEveryTruncation(t *testing.T) {
	data, _ := written(t, some...)
	for n := range data {
		if _, _, err := read(data[:n]); problem.CodeOf(err) != problem.Invalid {
			t.Fatalf("cut off after %d of %d bytes: %v", n, len(data), err)
		}
	}
	if _, _, err := read(append(bytes.Clone(data), 0)); problem.CodeOf(err) != problem.Invalid {
		t.Errorf("a byte more: %v", err)
	}
}

// TestEveryFlippedBit: a file of which a bit is another one is refused, or holds
// the same to the last bit (the head and the end of a packed file have bits that say nothing).
func TestEveryFlippedBit(t *testing.T) {
	data, sum := written(t, some...)
	same := 0
	for i := range 8 * len(data) {
		harmed := bytes.Clone(data)
		harmed[i/8] ^= 1 << (i % 8)
		parts, got, err := read(harmed)
		switch {
		case err == nil && got == sum && cmp.Equal(parts, some):
			same++
		case err == nil || problem.CodeOf(err) == "":
			t.Fatalf("bit %d: %v", i, err)
		}
	}
	if same > 64 {
		t.Errorf("%d of %d bits make no difference", same, 8*len(data))
	}
}

// packed is an archive of entries as they are given, with or without good sums.
func packed(t testing.TB, headers []tar.Header, bodies []string, sums bool) []byte {
	t.Helper()
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	w := tar.NewWriter(z)
	var lines string
	for i, h := range headers {
		h.Size = int64(len(bodies[i]))
		if err := w.WriteHeader(&h); err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(w, bodies[i]); err != nil {
			t.Fatal(err)
		}
		lines += fmt.Sprintf("%x  %s\n", sha256.Sum256([]byte(bodies[i])), h.Name)
	}
	if sums {
		if err := w.WriteHeader(&tar.Header{Name: "SHA256SUMS", Typeflag: tar.TypeReg, Size: int64(len(lines))}); err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(w, lines); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(w.Close(), z.Close()); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

const good = `{"format":"ohmkeep bundle","version":1}`

// TestHostile: what no export writes is refused with a sentence, whatever its
// sums say.
func TestHostile(t *testing.T) {
	first := tar.Header{Name: "ohmkeep.json", Typeflag: tar.TypeReg}
	entry := func(h tar.Header) []tar.Header { return []tar.Header{first, h} }
	cases := map[string]struct {
		data []byte
		code problem.Code
		says string
	}{
		"nothing":         {nil, problem.Invalid, "no file of Ohmkeep"},
		"text":            {[]byte("run;value\n"), problem.Invalid, "no file of Ohmkeep"},
		"another archive": {packed(t, []tar.Header{{Name: "README", Typeflag: tar.TypeReg}}, []string{"x"}, true), problem.Invalid, "no file of Ohmkeep"},
		"another format":  {packed(t, []tar.Header{first}, []string{`{"format":"other","version":1}`}, true), problem.Invalid, "no file of Ohmkeep"},
		"newer":           {packed(t, []tar.Header{first}, []string{`{"format":"ohmkeep bundle","version":2,"more":1}`}, true), problem.TooNew, "newer program"},
		"unknown field":   {packed(t, []tar.Header{first}, []string{`{"format":"ohmkeep bundle","version":1,"more":1}`}, true), problem.Invalid, "damaged"},
		"without sums":    {packed(t, []tar.Header{first}, []string{good}, false), problem.Invalid, "cut off"},
		"up and out":      {packed(t, entry(tar.Header{Name: "../../etc/passwd.json", Typeflag: tar.TypeReg}), []string{good, "x"}, true), problem.Invalid, "which no bundle does"},
		"absolute":        {packed(t, entry(tar.Header{Name: "/etc/x.json", Typeflag: tar.TypeReg}), []string{good, "x"}, true), problem.Invalid, "which no bundle does"},
		"link":            {packed(t, entry(tar.Header{Name: "a.json", Typeflag: tar.TypeSymlink, Linkname: "/etc/passwd"}), []string{good, ""}, true), problem.Invalid, "no plain part"},
		"long name":       {packed(t, entry(tar.Header{Name: strings.Repeat("a", 300) + ".json", Typeflag: tar.TypeReg}), []string{good, ""}, true), problem.Invalid, "no plain part"},
		"direction":       {packed(t, entry(tar.Header{Name: "a\u202eb.json", Typeflag: tar.TypeReg}), []string{good, ""}, true), problem.Invalid, "no plain part"},
		"header again":    {packed(t, entry(first), []string{good, good}, true), problem.Invalid, "which no bundle does"},
	}
	for name, c := range cases {
		_, _, err := read(c.data)
		if problem.CodeOf(err) != c.code || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if len(slices.Collect(maps.Keys(cases))) < 13 {
		t.Error("cases are missing")
	}
}

// TestBomb: a small file that unpacks to a part beyond the limit is refused
// before it is unpacked.
func TestBomb(t *testing.T) {
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	w := tar.NewWriter(z)
	for name, body := range map[string]string{"ohmkeep.json": good} {
		if err := w.WriteHeader(&tar.Header{Name: name, Typeflag: tar.TypeReg, Size: int64(len(body))}); err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(w, body); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.WriteHeader(&tar.Header{Name: "a.bin", Typeflag: tar.TypeReg, Size: 1 << 32}); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Write(make([]byte, 1<<16)); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	if _, _, err := read(out.Bytes()); problem.CodeOf(err) != problem.TooLarge {
		t.Errorf("%v", err)
	}
}

// TestDiskError: an error of the disk is not taken for a damaged file.
func TestDiskError(t *testing.T) {
	data, _ := written(t, some...)
	broken := errors.New("the disk does not answer")
	for _, n := range []int{0, 5, 40, len(data) - 3} {
		r, err := bundle.NewReader(io.MultiReader(bytes.NewReader(data[:n]), failing{broken}))
		for err == nil {
			_, _, err = r.Next()
		}
		if !errors.Is(err, broken) {
			t.Errorf("after %d bytes: %v", n, err)
		}
	}
}

type failing struct{ err error }

func (f failing) Read([]byte) (int, error) { return 0, f.err }

// FuzzReader: no file makes the reader fail otherwise than with a sentence, or
// gives out what its sums do not cover.
func FuzzReader(f *testing.F) {
	data, _ := written(f, some...)
	f.Add(data)
	f.Add(data[:len(data)/2])
	f.Add(packed(f, []tar.Header{{Name: "ohmkeep.json", Typeflag: tar.TypeReg}, {Name: "a.json", Typeflag: tar.TypeReg}}, []string{good, "{}"}, true))
	random := rand.New(rand.NewPCG(1, 2))
	noise := bytes.Clone(data)
	for range 9 {
		noise[random.IntN(len(noise))] ^= 8
	}
	f.Add(noise)
	f.Fuzz(func(t *testing.T, data []byte) {
		parts, sum, err := read(data)
		if err != nil {
			if problem.CodeOf(err) == "" {
				t.Fatalf("%v", err)
			}
			return
		}
		var again bytes.Buffer
		w, err := bundle.NewWriter(&again, header)
		if err != nil || len(sum) != 64 {
			t.Fatal(err, sum)
		}
		for _, p := range parts {
			if err := w.Part(p.Name, []byte(p.Body)); err != nil {
				t.Fatalf("what was read cannot be written: %v", err)
			}
		}
	})
}

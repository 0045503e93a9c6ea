// Package firmware holds the skeleton of a card's firmware for download: small
// portable C++ without vendor library or dynamic memory, the hardware behind
// six functions. The sources are in skeleton, which has no Go files, since a Go
// package must not have C++ ones.
package firmware

import (
	"archive/zip"
	"bytes"
	"embed"
	"fmt"
	"io/fs"
	"time"
)

//go:embed skeleton
var embedded embed.FS

// Name is the archive's file name without its extension, and the folder that
// everything in it is in.
const Name = "ohmkeep-card"

// packed is the time stamp of every file in the archive. It is fixed, so that
// the same sources give the same bytes.
var packed = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// Files are the skeleton's files.
func Files() fs.FS {
	files, err := fs.Sub(embedded, "skeleton")
	if err != nil {
		panic(err) // the name is a constant
	}
	return files
}

// Zip packs the files into an archive, in the order of their names and below
// one folder. The same files always give the same bytes.
func Zip() ([]byte, error) {
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	files := Files()
	names, err := fs.Glob(files, "*")
	if err != nil {
		return nil, fmt.Errorf("firmware: %w", err)
	}
	for _, name := range names {
		content, err := fs.ReadFile(files, name)
		if err != nil {
			return nil, fmt.Errorf("firmware: %w", err)
		}
		h := &zip.FileHeader{Name: Name + "/" + name, Method: zip.Deflate, Modified: packed}
		h.SetMode(0o644)
		f, err := w.CreateHeader(h)
		if err != nil {
			return nil, fmt.Errorf("firmware: packing %s: %w", name, err)
		}
		if _, err := f.Write(content); err != nil {
			return nil, fmt.Errorf("firmware: packing %s: %w", name, err)
		}
	}
	if err := w.Close(); err != nil {
		return nil, fmt.Errorf("firmware: %w", err)
	}
	return b.Bytes(), nil
}

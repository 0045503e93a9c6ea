// Package bundle is the format of the file that carries documents and runs from
// one server to another: a tar archive (POSIX ustar) in gzip (RFC 1952), which
// any unpacker opens, of parts in a fixed order:
//
//	ohmkeep.json   which format and version it is, where and when it was made
//	…              parts, whose names and meaning are the store's
//	SHA256SUMS     the SHA-256 of every part before it, as sha256sum writes them
//
// The SHA-256 of SHA256SUMS names the whole file by its content. Parts are
// bounded, so that neither writing nor reading takes more memory than one part
// and, to write, 100 bytes for each of them. The package knows nothing of what
// the parts say.
package bundle

import (
	"regexp"
	"time"

	"ohmkeep/server/problem"
)

const (
	// Format is what the first part says that the file is.
	Format = "ohmkeep bundle"
	// Version is the version of the format that is written, and the newest that
	// is read.
	Version = 1
	// PartMost is the most bytes of a part.
	PartMost = 64 << 20
	// ContentMost is the most bytes of all parts together, and so what a file can
	// unpack to however small it is.
	ContentMost = 64 << 30
	// FileMost is the most bytes of a file.
	FileMost = 16 << 30

	headerName = "ohmkeep.json"
	sumsName   = "SHA256SUMS"
	headerMost = 64 << 10
	nameMost   = 100 // what a ustar header holds
)

// Header is the first part: where the file is from.
type Header struct {
	Format  string    `json:"format"`
	Version int       `json:"version"`
	Made    time.Time `json:"made"`
	Server  string    `json:"server"`  // its public address, or what else it calls itself
	By      string    `json:"by"`      // who made it
	Program string    `json:"program"` // version of the program that wrote it
	Choice  string    `json:"choice"`  // what was chosen, in words
}

// partName is what names of parts look like: no way leads out of a directory.
var partName = regexp.MustCompile(`^[a-z0-9]+(?:[-/][a-z0-9]+)*\.(?:json|jsonl|bin|gz)$`)

func validName(name string) bool {
	return len(name) <= nameMost && partName.MatchString(name) && name != headerName
}

func bad(message string) error { return problem.New(problem.Invalid, message) }

// Errors that more than one place finds.
var (
	errNotOurs = bad("This is no file of Ohmkeep: it is not a bundle that ohmkeep export has made.")
	errCutOff  = bad("The file is cut off: its end is missing. Copy it again, or export again.")
	errChanged = bad("The file is damaged: what it holds is not what was written. Copy it again, or export again.")
)

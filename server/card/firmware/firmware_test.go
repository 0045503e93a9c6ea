package firmware

import (
	"archive/zip"
	"bytes"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// files are what a download must hold.
var files = []string{
	"LICENSE", "README.md", "card.cpp", "card.h", "commands.cpp", "example_hardware.cpp", "hardware.h", "list.cpp",
	"main_posix.cpp", "number.cpp", "number.h", "parse.cpp", "parse.h", "paths.cpp", "reading.cpp", "source.cpp", "status.cpp",
}

func TestZip(t *testing.T) {
	packed, err := Zip()
	if err != nil {
		t.Fatal(err)
	}
	again, err := Zip()
	if err != nil || !bytes.Equal(packed, again) {
		t.Errorf("packed twice is not the same: %d and %d bytes, %v", len(packed), len(again), err)
	}
	r, err := zip.NewReader(bytes.NewReader(packed), int64(len(packed)))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, f := range r.File {
		name, err := filepath.Rel(Name, f.Name)
		if err != nil {
			t.Fatal(err)
		}
		names = append(names, name)
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		got, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		want, err := os.ReadFile(filepath.Join("skeleton", name))
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s is not what is in the tree: %v", name, err)
		}
	}
	if !slices.Equal(names, files) {
		t.Errorf("the archive holds %q", names)
	}
}

// TestLicence holds that the licence that goes with the download is the
// project's.
func TestLicence(t *testing.T) {
	ours, err := os.ReadFile("../../../LICENSE")
	if err != nil {
		t.Fatal(err)
	}
	packed, err := fs.ReadFile(Files(), "LICENSE")
	if err != nil || !bytes.Equal(ours, packed) {
		t.Errorf("it differs: %v", err)
	}
}

package store_test

import (
	"os"
	"path/filepath"
	"testing"

	"ohmkeep/store"
)

// TestFilesArePrivate: nobody but their owner reads the files of a database, also
// of one that was made when others could.
func TestFilesArePrivate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ohmkeep.db")
	for _, before := range []os.FileMode{0, 0o644, 0o600} {
		if before != 0 {
			must(t, os.Chmod(path, before))
		}
		s, err := store.Open(t.Context(), path, store.Options{})
		must(t, err)
		must(t, s.Log(t.Context(), store.Event{By: "x", Action: "write"}))
		files, err := filepath.Glob(path + "*")
		must(t, err)
		if len(files) < 2 {
			t.Errorf("there is no log: %v", files)
		}
		for _, name := range files {
			info, err := os.Stat(name)
			must(t, err)
			if info.Mode().Perm() != 0o600 {
				t.Errorf("before %v: %s has the mode %v", before, filepath.Base(name), info.Mode())
			}
		}
		must(t, s.Close())
	}
}

// Package storetest gives each test a store of its own: a byte copy of one
// migrated template file.
package storetest

import (
	"context"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"ohmkeep/store"
)

// template is the content of a freshly migrated database file.
var template = sync.OnceValues(func() ([]byte, error) {
	dir, err := os.MkdirTemp("", "ohmkeep-template-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "template.db")
	s, err := store.Open(context.Background(), path, store.Options{})
	if err != nil {
		return nil, err
	}
	if err := s.Close(); err != nil {
		return nil, err
	}
	return os.ReadFile(path) // after Close: reading a live file would drop SQLite's locks
})

// Path writes a migrated, empty database for the test and returns its path.
func Path(t testing.TB) string {
	t.Helper()
	body, err := template()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(Dir(t), "ohmkeep.db")
	if err := os.WriteFile(path, body, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// New opens an empty store that is closed when the test ends.
func New(t testing.TB) *store.Store {
	t.Helper()
	return Open(t, Path(t), store.Options{})
}

// Open opens the store at path and closes it when the test ends.
func Open(t testing.TB, path string, o store.Options) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.CheckShared(context.Background()); err != nil {
			t.Error(err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

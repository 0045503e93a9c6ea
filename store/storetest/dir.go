package storetest

import (
	"os"
	"testing"
)

// memory is Linux's file system in memory, and room what must be free there, in
// bytes, for tests to use it: a container may have as little as 64 MiB of it.
const (
	memory = "/dev/shm"
	room   = 1 << 30
)

// Dir returns a directory for the databases of a test, which is removed after
// it. It is in memory where there is room, so that a test does not wait for the
// disk at each of its commits; a process that is killed loses nothing there
// either. A benchmark's is on the disk, since the disk is in its figures.
func Dir(t testing.TB) string {
	t.Helper()
	if _, bench := t.(*testing.B); bench || free(memory) < room {
		return t.TempDir()
	}
	dir, err := os.MkdirTemp(memory, "ohmkeep-test-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	return dir
}

package main

import (
	"compress/gzip"
	"crypto/sha256"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/store/storetest"
)

// oldDatabase puts a database of a much older program at path.
func oldDatabase(t *testing.T, path string) {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "store", "testdata", "schema-5", "ohmkeep.db.gz"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, body, 0o600); err != nil {
		t.Fatal(err)
	}
}

// filesOf are the sums of the files in a directory, by name.
func filesOf(t *testing.T, dir string) map[string][sha256.Size]byte {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][sha256.Size]byte{}
	for _, name := range names {
		body, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		out[filepath.Base(name)] = sha256.Sum256(body)
	}
	return out
}

// TestCheckChangesNothing: a database that is checked stays as it is, also one of
// an older version of the program, of which a copy is checked and removed.
func TestCheckChangesNothing(t *testing.T) {
	t.Parallel()
	dir := storetest.Dir(t)
	file := filepath.Join(dir, "old.db")
	oldDatabase(t, file)
	before := filesOf(t, dir)
	for range 2 {
		out, err := said(t, "check", "-file", file)
		if err != nil {
			t.Fatalf("%s %v", out, err)
		}
		wants(t, out, "older version", "stays as it is", "Nothing is damaged", "results")
		if d := cmp.Diff(before, filesOf(t, dir)); d != "" {
			t.Fatalf("the check changed files: %s", d)
		}
	}
	data := storetest.Dir(t)
	oldDatabase(t, databasePath(data))
	before = filesOf(t, data)
	if out, err := said(t, "check", "-data", data); err != nil {
		t.Fatalf("%s %v", out, err)
	}
	after := filesOf(t, data)
	if name := filepath.Base(databasePath(data)); before[name] != after[name] {
		t.Errorf("the check changed the database of a data directory")
	}

	today := storetest.Dir(t)
	startProgram(t, today, false).stop()
	keepRun(t, today, "first")
	before = filesOf(t, today)
	if out, err := said(t, "check", "-file", databasePath(today)); err != nil {
		t.Fatalf("%s %v", out, err)
	}
	if d := cmp.Diff(before, filesOf(t, today)); d != "" {
		t.Errorf("the check of a file changed files: %s", d)
	}
}

// TestRestoreThatIsRefusedChangesNothing: what is compared with a backup and not
// replaced stays as it is, also where it is of an older version.
func TestRestoreThatIsRefusedChangesNothing(t *testing.T) {
	t.Parallel()
	backup, data := storetest.Dir(t), storetest.Dir(t)
	startProgram(t, backup, false).stop()
	oldDatabase(t, databasePath(data))
	before := filesOf(t, data)
	out, err := said(t, "restore", "-data", data, "-from", databasePath(backup))
	if err == nil {
		t.Fatalf("restored: %s", out)
	}
	wants(t, out, "would lose")
	if name := filepath.Base(databasePath(data)); before[name] != filesOf(t, data)[name] {
		t.Errorf("the database was changed although nothing was restored")
	}
}

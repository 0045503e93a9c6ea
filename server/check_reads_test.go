package main

import (
	"compress/gzip"
	"crypto/sha256"
	"io"
	"os"
	"path/filepath"
	"strings"
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

// TestCommandsLeaveAnOlderDatabase: a backup and an export of a database of an older
// version of the program leave it as it is and say so, and the backup is of that
// version; what would write to it refuses.
func TestCommandsLeaveAnOlderDatabase(t *testing.T) {
	t.Parallel()
	data, out := storetest.Dir(t), storetest.Dir(t)
	path, file := databasePath(data), filepath.Join(out, "lab.tar.gz")
	oldDatabase(t, path)
	before := filesOf(t, data)[filepath.Base(path)]
	same := func(what string) {
		t.Helper()
		after := filesOf(t, data)
		if len(after) != 1 || after[filepath.Base(path)] != before {
			t.Fatalf("%s changed the data directory: %v", what, after)
		}
	}
	text, err := said(t, "backup", "-data", data, "-to", filepath.Join(out, "b.db"))
	if err != nil {
		t.Fatal(err)
	}
	wants(t, text, "older version of the program: it stays as it is", "read again and whole: 5 runs")
	same("a backup")
	if text, err = said(t, "check", "-file", filepath.Join(out, "b.db")); err != nil {
		t.Fatal(err)
	}
	wants(t, text, "older version of the program")
	if text, err = said(t, "export", "-data", data, "-to", file); err != nil {
		t.Fatal(err)
	}
	wants(t, text, "older version of the program: it stays as it is", "runs with")
	same("an export")
	if text, err = said(t, "import", "-data", data, "-from", file, "-dry"); err != nil {
		t.Fatal(err)
	}
	wants(t, text, "older version of the program: it stays as it is", "Nothing was written")
	same("a look")
	for _, args := range [][]string{{"import", "-data", data, "-from", file}, {"token", "-data", data, "-name", "script"}, {"invite", "-data", data}} {
		if _, err := said(t, args...); err == nil || !strings.Contains(err.Error(), "older version of the program; start the server once") {
			t.Errorf("%q: %v", args, err)
		}
		same(args[0])
	}
	startProgram(t, data, false).stop() // brings it up to date
	if text, err = said(t, "import", "-data", data, "-from", file); err != nil {
		t.Fatal(err)
	}
	wants(t, text, "there already")
	restored := storetest.Dir(t)
	if text, err = said(t, "restore", "-data", restored, "-from", filepath.Join(out, "b.db")); err != nil {
		t.Fatal(err)
	}
	wants(t, text, "Restored")
}

package migrations

import (
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

// Every migration of this folder is in the program.
func TestEmbedded(t *testing.T) {
	files, err := filepath.Glob("*.sql")
	if err != nil || len(files) < 8 {
		t.Fatal(files, err)
	}
	for _, name := range files {
		body, err := fs.ReadFile(FS, name)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(string(body), "-- +goose Up\n") {
			t.Errorf("%s does not start with the goose marker", name)
		}
	}
}

// Without STRICT a text may land in an integer column.
func TestEveryTableIsStrict(t *testing.T) {
	names, err := fs.Glob(FS, "*.sql")
	if err != nil || len(names) == 0 {
		t.Fatal(names, err)
	}
	all := 0
	for _, name := range names {
		body, err := fs.ReadFile(FS, name)
		if err != nil {
			t.Fatal(err)
		}
		tables, strict := strings.Count(string(body), "CREATE TABLE"), strings.Count(string(body), ") STRICT")
		if all += tables; tables != strict {
			t.Errorf("%s: %d tables, %d of them STRICT", name, tables, strict)
		}
	}
	if all == 0 {
		t.Error("no table in any migration")
	}
}

package migrations

import (
	"io/fs"
	"strings"
	"testing"
)

func TestEmbedded(t *testing.T) {
	for _, name := range []string{"00001_documents.sql", "00002_runs.sql", "00003_access.sql", "00004_acknowledged.sql", "00005_cards.sql", "00006_tail.sql", "00007_pictures.sql"} {
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

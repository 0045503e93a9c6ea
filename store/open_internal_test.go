package store

import (
	"database/sql"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func open(t *testing.T, path string) *Store {
	t.Helper()
	s, err := Open(t.Context(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestSettingsHoldOnEveryConnection(t *testing.T) {
	t.Parallel()
	s := open(t, filepath.Join(t.TempDir(), "a b?c#d.db")) // a path that must be escaped
	defer s.Close()
	type pool struct {
		db      *sql.DB
		pragmas []pragma
		size    int
	}
	all := []pool{{s.write, writerPragmas, 1}}
	for p, size := range poolSizes {
		all = append(all, pool{s.read[p], readerPragmas, size})
	}
	for _, pool := range all {
		for range pool.size { // each kept busy, so that the next is another one
			c, err := pool.db.Conn(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close()
			for _, p := range pool.pragmas {
				var got string
				if err := c.QueryRowContext(t.Context(), "PRAGMA "+p.name).Scan(&got); err != nil {
					t.Fatal(err)
				}
				if p.want != "" && got != p.want {
					t.Errorf("%s is %s, want %s", p.name, got, p.want)
				}
			}
		}
		if n := pool.db.Stats().OpenConnections; n != pool.size {
			t.Errorf("%d connections, want %d", n, pool.size)
		}
	}
}

func TestOpenFailsWhereASettingDoesNotTake(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "x.db")
	for name, p := range map[string]pragma{
		"misspelt key":    {"foreign_keys", "_foreign_keyz", "1", "1"},
		"misspelt pragma": {"page_sise", "_pragma", "page_sise(16384)", "16384"},
		"other value":     {"synchronous", "_synchronous", "NORMAL", "2"},
	} {
		db, err := openPool(t.Context(), path, []pragma{p}, 1, readWrite)
		if err == nil {
			db.Close()
			t.Errorf("%s was accepted", name)
		}
	}
}

func TestReadersCannotWrite(t *testing.T) {
	t.Parallel()
	s := open(t, filepath.Join(t.TempDir(), "x.db"))
	defer s.Close()
	for p, db := range s.read {
		if _, err := db.Exec("INSERT INTO events (at, by, action, subject, detail) VALUES (1, '', '', '', '')"); err == nil {
			t.Errorf("a reader of %s wrote", Pool(p))
		}
	}
}

func TestRefusesANewerSchema(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "x.db")
	s := open(t, path)
	if _, err := s.write.Exec("INSERT INTO goose_db_version (version_id, is_applied) VALUES (99999, 1)"); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	_, err := Open(t.Context(), path, Options{})
	if CodeOf(err) != TooNew || !strings.Contains(err.Error(), "newer program") {
		t.Errorf("got %v", err)
	}
}

func TestRefusesAnotherProgramsFile(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, "other.db")
	db, err := sql.Open("sqlite", "file:"+path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec("CREATE TABLE theirs (x)"); err != nil {
		t.Fatal(err)
	}
	db.Close()
	if _, err := Open(t.Context(), path, Options{}); CodeOf(err) != Invalid {
		t.Errorf("another program's database: %v", err)
	}
	junk := filepath.Join(dir, "junk.db")
	if err := os.WriteFile(junk, []byte(strings.Repeat("not a database\n", 100)), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(t.Context(), junk, Options{}); CodeOf(err) != Corrupt {
		t.Errorf("a text file: %v", err)
	}
	if _, err := Open(t.Context(), filepath.Join(dir, "no", "such", "x.db"), Options{}); err == nil {
		t.Error("a missing directory was accepted")
	}
}

func TestCloseLeavesOneFile(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := open(t, filepath.Join(dir, "x.db"))
	if err := s.Log(t.Context(), Event{By: "me", Action: "look"}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	files, err := os.ReadDir(dir)
	if err != nil || len(files) != 1 {
		t.Errorf("after Close: %v %v", files, err)
	}
}

func TestTransactions(t *testing.T) {
	t.Parallel()
	s := open(t, filepath.Join(t.TempDir(), "x.db"))
	defer s.Close()
	insert := func(t *tx) error {
		_, err := t.exec("INSERT INTO events (at, by, action, subject, detail) VALUES (1, '', '', '', '')")
		return err
	}
	count := func() (n int) {
		if err := s.read[Pages].QueryRow("SELECT count(*) FROM events").Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	func() {
		defer func() {
			if recover() == nil {
				t.Error("the panic was swallowed")
			}
		}()
		s.update(t.Context(), "panic", func(tx *tx) error {
			if err := insert(tx); err != nil {
				t.Error(err)
			}
			panic("x")
		})
	}()
	if n := count(); n != 0 {
		t.Errorf("%d rows after a panic", n)
	}
	err := s.update(t.Context(), "outer", func(outer *tx) error {
		return s.update(outer.ctx, "inner", insert)
	})
	if err == nil || !strings.Contains(err.Error(), "nested") {
		t.Errorf("nested: %v", err)
	}
	if err := s.update(t.Context(), "good", insert); err != nil || count() != 1 {
		t.Errorf("%v, %d rows", err, count())
	}
}

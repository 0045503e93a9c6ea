package store_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

func TestLog(t *testing.T) {
	t.Parallel()
	s, ctx := clocked(t), t.Context()
	for i := range 5 {
		subject := []string{"run a", "run b"}[i%2]
		if err := s.Log(ctx, store.Event{By: "ann", Action: "delete", Subject: subject, Detail: fmt.Sprint(i)}); err != nil {
			t.Fatal(err)
		}
	}
	details := func(subject string, before int64, limit int) (out []string, last int64) {
		es, err := s.Events(ctx, subject, before, limit)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range es {
			out, last = append(out, e.Detail), e.ID
		}
		return out, last
	}
	got, last := details("", 0, 3)
	if !slices.Equal(got, []string{"4", "3", "2"}) {
		t.Errorf("newest: %v", got)
	}
	if got, _ := details("", last, 3); !slices.Equal(got, []string{"1", "0"}) {
		t.Errorf("next: %v", got)
	}
	if got, _ := details("run b", 0, 9); !slices.Equal(got, []string{"3", "1"}) {
		t.Errorf("of b: %v", got)
	}
	es, err := s.Events(ctx, "", 0, 1)
	if err != nil || !es[0].At.After(start) || es[0].By != "ann" || es[0].Action != "delete" {
		t.Errorf("%+v %v", es, err)
	}
}

func TestBackupIsWhole(t *testing.T) {
	t.Parallel()
	s := filled(t, 3000)
	path := filepath.Join(t.TempDir(), "it's a copy.db")
	made, err := s.BackupTo(t.Context(), path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 || info.Size() != made.Size || made.Checked.Readings != 3000 {
		t.Errorf("%+v, %+v, %v", info, made, err)
	}
	if left, _ := filepath.Glob(filepath.Dir(path) + "/*"); len(left) != 1 {
		t.Errorf("beside it: %q", left)
	}
	_, err = s.BackupTo(t.Context(), path, nil)
	wantCode(t, err, store.Conflict)
	copied := storetest.Open(t, path, store.Options{})
	if err := copied.Integrity(t.Context()); err != nil {
		t.Error(err)
	}
	if got := readAll(t, copied, "run", 0, 0); !slices.Equal(got, readings(0, 3000, 1)) {
		t.Errorf("%d readings differ", len(got))
	}
}

func TestIntegrityFindsDamage(t *testing.T) {
	t.Parallel()
	path := storetest.Path(t)
	s, err := store.Open(t.Context(), path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	begin(t, s, record("run", ""))
	appendAll(t, s, "run", batch(0, readings(0, 3000, 1)))
	if err := s.Integrity(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	body, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for page := 3; (page+1)*16384 <= len(body); page++ { // the header of every page but the first ones
		clear(body[page*16384 : page*16384+64])
	}
	if err := os.WriteFile(path, body, 0o600); err != nil {
		t.Fatal(err)
	}
	s, err = store.Open(t.Context(), path, store.Options{})
	if err == nil {
		err = s.Integrity(t.Context())
		s.Close()
	}
	wantCode(t, err, store.Corrupt)
}

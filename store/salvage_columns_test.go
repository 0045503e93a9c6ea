package store_test

import (
	"bytes"
	"os"
	"testing"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// TestSalvageByPlace: a flipped bit in the name of a column, where the file says what
// its tables are, costs no row: the column is known by its place, and the seals say
// that what stands in it is what was stored.
func TestSalvageByPlace(t *testing.T) {
	t.Parallel()
	lab := keptLab(t)
	for _, c := range []struct{ was, is string }{
		{"device_name     TEXT", "device_jame     TEXT"}, // a name like another
		{"ended           INTEGER", "en$ed           INTEGER"},
		{"operator        TEXT", "o0erator        TEXT"},
	} {
		if bytes.Count(lab.file, []byte(c.was)) != 1 {
			t.Fatalf("%q is not in the file once", c.was)
		}
		from, to := storetest.Path(t), storetest.Path(t)
		must(t, os.WriteFile(from, bytes.Replace(lab.file, []byte(c.was), []byte(c.is), 1), 0o600))
		got, err := store.Salvage(t.Context(), from, to)
		must(t, err)
		if len(got.Checked.Findings) > 0 || len(got.Lost) > 0 {
			t.Errorf("%s: %+v, %+v", c.is, got.Lost, got.Checked.Findings)
		}
		s := storetest.Open(t, to, store.Options{})
		if unread := lab.compare(t, s, c.is); len(unread) > 0 {
			t.Errorf("%s: %q cannot be read", c.is, unread)
		}
	}
}

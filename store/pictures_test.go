package store_test

import (
	"bytes"
	"testing"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

func TestPictures(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	begin(t, s, record("run", ""))
	begin(t, s, record("other", ""))
	want := func(run string, measurement int, picture []byte) {
		t.Helper()
		if got, err := s.Picture(ctx, run, measurement); err != nil || !bytes.Equal(got, picture) || (got == nil) != (picture == nil) {
			t.Errorf("%s, measurement %d: %q %v, want %q", run, measurement, got, err, picture)
		}
	}
	keep := func(run string, measurement int, readings int64, picture string) {
		t.Helper()
		if err := s.KeepPicture(ctx, run, measurement, readings, []byte(picture)); err != nil {
			t.Fatal(err)
		}
	}
	want("run", 0, nil)
	keep("run", 0, 10, "ten")
	keep("run", 1, 5, "five")
	want("run", 0, []byte("ten"))
	keep("run", 0, 20, "twenty")
	keep("run", 0, 15, "late")
	want("run", 0, []byte("twenty"))
	keep("run", 0, 20, "the same, made anew")
	want("run", 0, []byte("the same, made anew"))
	want("run", 1, []byte("five"))
	want("other", 0, nil)

	wantCode(t, s.KeepPicture(ctx, "nobody", 0, 1, nil), store.NotFound)
	_, err := s.Picture(ctx, "nobody", 0)
	wantCode(t, err, store.NotFound)
}

// A deleted run leaves no picture behind that a later run could be taken for.
func TestPictureGoesWithItsRun(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	begin(t, s, record("run", ""))
	if err := s.Finish(ctx, "run", procedure.Ending{Status: procedure.Done}); err != nil {
		t.Fatal(err)
	}
	if err := s.KeepPicture(ctx, "run", 0, 1, []byte("x")); err != nil {
		t.Fatal(err)
	}
	if err := s.DeleteRun(ctx, "run"); err != nil {
		t.Fatal(err)
	}
	begin(t, s, record("run", ""))
	if got, err := s.Picture(ctx, "run", 0); err != nil || got != nil {
		t.Errorf("%q %v", got, err)
	}
}

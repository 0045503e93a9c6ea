package store_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/cardinfo"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

func TestTraffic(t *testing.T) {
	t.Parallel()
	s, ctx := storetest.New(t), t.Context()
	begin(t, s, record("run-1", ""))
	want := cardinfo.Traffic{Dropped: 3, Events: []cardinfo.Event{
		{N: 7, At: start, Connection: "card 1", Dir: cardinfo.Out, Bytes: []byte("READ? (@1)\n")},
		{N: 11, At: start, Connection: "card 1", Dir: cardinfo.In, Bytes: []byte{0xff, 0, '\n'}},
	}}
	_, err := s.Traffic(ctx, "run-1")
	wantCode(t, err, store.NotFound)
	wantCode(t, s.SaveTraffic(ctx, "nobody", want), store.NotFound)
	for range 2 { // the second replaces the first
		if err := s.SaveTraffic(ctx, "run-1", want); err != nil {
			t.Fatal(err)
		}
		got, err := s.Traffic(ctx, "run-1")
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Error(diff)
		}
	}
	if err := s.Finish(ctx, "run-1", procedure.Ending{Status: procedure.Done, Ended: start}); err != nil {
		t.Fatal(err)
	}
	if err := s.DeleteRun(ctx, "run-1"); err != nil {
		t.Fatal(err)
	}
	if there, err := s.HasTraffic(ctx, "run-1"); there || err != nil {
		t.Errorf("after the run was deleted: %v, %v", there, err)
	}
}

package store

import (
	"crypto/sha256"
	"fmt"
	"reflect"
	"testing"
)

// The cache forgets the oldest documents before it grows beyond its bound, and
// keeps none that would push out most others.
func TestSnapshotsAreKeptWithinBounds(t *testing.T) {
	t.Parallel()
	var c snapshotCache
	key := func(i int) snapshotKey {
		return snapshotKey{reflect.TypeFor[int](), sha256.Sum256([]byte(fmt.Sprint(i)))}
	}
	const each = snapshotBytes / 10
	for i := range 25 {
		c.put(key(i), &i, each)
		c.put(key(i), &i, each) // again: counts once
		if c.bytes > snapshotBytes || len(c.order) != len(c.kept) || c.bytes != len(c.kept)*each {
			t.Fatalf("%d kept, %d in order, %d bytes", len(c.kept), len(c.order), c.bytes)
		}
	}
	for i := range 25 {
		if got := c.get(key(i)) != nil; got != (i >= 15) {
			t.Errorf("%d kept: %v", i, got)
		}
	}
	if c.put(key(99), new(int), snapshotBytes/4+1); c.get(key(99)) != nil {
		t.Error("a document that is too long is kept")
	}
}

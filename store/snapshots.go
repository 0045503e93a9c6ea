package store

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"reflect"
	"sync"
)

// snapshotKey is a snapshot as a document of one type. Snapshots are known by
// their hash: an id is given again when the newest one was deleted.
type snapshotKey struct {
	of   reflect.Type
	hash [sha256.Size]byte
}

// snapshotCache holds decoded snapshots, so that the head of a run does not
// decode four documents each time it is read: most runs have theirs in common.
// The oldest go first.
type snapshotCache struct {
	mu    sync.Mutex
	kept  map[snapshotKey]keptSnapshot
	order []snapshotKey // oldest first
	bytes int           // of JSON that they were decoded from
}

type keptSnapshot struct {
	document any // a pointer
	bytes    int
}

// snapshotBytes bounds the cache by the length of the documents as JSON; in
// memory they are a few times as long.
const snapshotBytes = 2 << 20

func (c *snapshotCache) get(k snapshotKey) any {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.kept[k].document
}

func (c *snapshotCache) put(k snapshotKey, document any, bytes int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if _, known := c.kept[k]; known || bytes > snapshotBytes/4 {
		return
	}
	if c.kept == nil {
		c.kept = map[snapshotKey]keptSnapshot{}
	}
	c.kept[k], c.order, c.bytes = keptSnapshot{document, bytes}, append(c.order, k), c.bytes+bytes
	for c.bytes > snapshotBytes {
		c.bytes -= c.kept[c.order[0]].bytes
		delete(c.kept, c.order[0])
		c.order = c.order[1:]
	}
}

// snapshotRef is the reference to a snapshot: its row, and the hash that its
// body must have.
type snapshotRef struct {
	id   int64
	hash []byte // SHA-256 of its body
}

// readSnapshot fills a document, given by a pointer, from a snapshot. What the
// document refers to is shared with everybody who reads that snapshot, and must
// not be changed. A snapshot that is not what was stored is Corrupt.
func (s *Store) readSnapshot(ctx context.Context, ref snapshotRef, into any) error {
	if len(ref.hash) != sha256.Size {
		return errorf(Corrupt, "the hash of what the run was made with is %d bytes long", len(ref.hash))
	}
	k := snapshotKey{of: reflect.TypeOf(into).Elem(), hash: [sha256.Size]byte(ref.hash)}
	document := s.snapshots.get(k)
	if document == nil {
		document = reflect.New(k.of).Interface()
		n, err := s.loadSnapshot(ctx, ref.id, k, document)
		if err != nil {
			return err
		}
		s.snapshots.put(k, document, n)
	}
	reflect.ValueOf(into).Elem().Set(reflect.ValueOf(document).Elem())
	return nil
}

func (s *Store) loadSnapshot(ctx context.Context, id int64, k snapshotKey, document any) (n int, err error) {
	var body []byte
	err = s.reader(ctx).QueryRowContext(ctx, "SELECT body FROM snapshots WHERE id = ?", id).Scan(&body)
	if err != nil {
		return 0, err
	}
	if sha256.Sum256(body) != k.hash {
		return 0, errorf(Corrupt, "what the run was made with (%s) is not what was stored", k.of)
	}
	if err := json.Unmarshal(body, document); err != nil {
		return 0, fmt.Errorf("%s: %w", k.of, err)
	}
	return len(body), nil
}

// CheckShared reports a document that was read with a run and has been changed
// since by whoever got it. Stores of tests ask when they close.
func (s *Store) CheckShared(ctx context.Context) error {
	s.snapshots.mu.Lock()
	defer s.snapshots.mu.Unlock()
	if s.read[Pages] == nil {
		return nil // closed
	}
	for k, kept := range s.snapshots.kept {
		var id int64
		fresh := reflect.New(k.of).Interface()
		err := s.reader(ctx).QueryRowContext(ctx, "SELECT id FROM snapshots WHERE hash = ?", k.hash[:]).Scan(&id)
		if err == nil {
			_, err = s.loadSnapshot(ctx, id, k, fresh)
		}
		// One that cannot be read has gone with its runs, or is damaged.
		if err == nil && !reflect.DeepEqual(fresh, kept.document) {
			return fmt.Errorf("store: a %s that was read with a run has been changed in memory", k.of)
		}
	}
	return nil
}

package store

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

var benches = &documentKind[bench.Definition]{
	name: "bench", heads: "benches", revisions: "bench_revisions",
	head:  func(b *bench.Definition) (string, string, []any) { return b.Key, b.Name, nil },
	check: func(b *bench.Definition) error { return checkKey("key", b.Key) },
}

// SaveBench stores a new revision of a bench's definition and returns its
// number; expected as for SaveDevice.
func (s *Store) SaveBench(ctx context.Context, b bench.Definition, expected int, by string) (int, error) {
	return save(ctx, s, benches, &b, expected, by)
}

// RenewBench stores a bench's definition as a new revision after all that there
// are, although the latest may be damaged, and returns its number.
func (s *Store) RenewBench(ctx context.Context, b bench.Definition, by string) (int, error) {
	return renew(ctx, s, benches, &b, by)
}

// GetBench returns a revision of a bench's definition, 0 for the latest.
func (s *Store) GetBench(ctx context.Context, key string, rev int) (*Revised[bench.Definition], error) {
	return get(ctx, s, benches, key, rev)
}

// ListBenches returns the latest definition of every bench, by name.
func (s *Store) ListBenches(ctx context.Context) ([]Revised[bench.Definition], error) {
	return list(ctx, s, benches, "TRUE")
}

// BenchRevisions lists a bench's revisions, newest first.
func (s *Store) BenchRevisions(ctx context.Context, key string) ([]Revision, error) {
	return history(ctx, s, benches, key)
}

// DeleteBench takes a bench out of the lists; its revisions and its pin maps
// stay.
func (s *Store) DeleteBench(ctx context.Context, key string) error {
	return remove(ctx, s, benches, key, nil)
}

var pinMaps = &documentKind[bench.PinMap]{
	name: "pin map", heads: "pin_maps", revisions: "pin_map_revisions", columns: []string{"device", "bench"},
	head: func(m *bench.PinMap) (string, string, []any) {
		key := pinMapKey(m.Device, m.Bench)
		return key, key, []any{m.Device, m.Bench}
	},
	check: func(m *bench.PinMap) error {
		var ps dut.Problems
		for field, key := range map[string]string{"device": m.Device, "bench": m.Bench} {
			if checkKey(field, key) != nil {
				ps.Add(field, "is not the key of a %s", field)
			}
		}
		return ps.Err()
	},
}

func pinMapKey(device, benchKey string) string { return device + "/" + benchKey }

// SavePinMap stores a new revision of the pin map of a device on a bench and
// returns its number; expected as for SaveDevice.
func (s *Store) SavePinMap(ctx context.Context, m bench.PinMap, expected int, by string) (int, error) {
	return save(ctx, s, pinMaps, &m, expected, by)
}

// GetPinMap returns a revision of a pin map, 0 for the latest.
func (s *Store) GetPinMap(ctx context.Context, device, benchKey string, rev int) (*Revised[bench.PinMap], error) {
	return get(ctx, s, pinMaps, pinMapKey(device, benchKey), rev)
}

// ListPinMaps returns the latest pin maps of a device and on a bench; empty
// stands for all.
func (s *Store) ListPinMaps(ctx context.Context, device, benchKey string) ([]Revised[bench.PinMap], error) {
	if device == "" {
		return list(ctx, s, pinMaps, "?1 = '' OR h.bench = ?1", benchKey)
	}
	return list(ctx, s, pinMaps, "h.device = ?1 AND (?2 = '' OR h.bench = ?2)", device, benchKey)
}

// PinMapRevisions lists a pin map's revisions, newest first.
func (s *Store) PinMapRevisions(ctx context.Context, device, benchKey string) ([]Revision, error) {
	return history(ctx, s, pinMaps, pinMapKey(device, benchKey))
}

// DeletePinMap takes a pin map out of the lists; its revisions stay.
func (s *Store) DeletePinMap(ctx context.Context, device, benchKey string) error {
	return remove(ctx, s, pinMaps, pinMapKey(device, benchKey), nil)
}

// Seating is the content of the socket of a rehearsal bench.
type Seating struct {
	Bench string          `json:"bench"`
	At    time.Time       `json:"at"`
	By    string          `json:"by"`
	Body  json.RawMessage `json:"body"`
}

// SetSeating stores the content of a rehearsal bench's socket, as JSON.
func (s *Store) SetSeating(ctx context.Context, benchKey string, body any, by string) error {
	text, err := json.Marshal(body)
	if err != nil {
		return &Error{Code: Invalid, Message: "what is seated cannot be stored", Err: err}
	}
	return s.update(ctx, "set seating", func(t *tx) error {
		_, err := t.exec(`INSERT INTO seatings (bench, at, by, body) VALUES (?, ?, ?, ?)
			ON CONFLICT (bench) DO UPDATE SET at = excluded.at, by = excluded.by, body = excluded.body`,
			benchKey, t.at, by, string(text))
		return errors.Join(err, sealRows(t, "seatings", "bench = ?", benchKey))
	})
}

// GetSeating returns the content of a rehearsal bench's socket; NotFound where
// nothing was ever seated.
func (s *Store) GetSeating(ctx context.Context, benchKey string) (*Seating, error) {
	g := &Seating{Bench: benchKey}
	var at int64
	var body string
	var sound bool
	err := s.reader(ctx).QueryRowContext(ctx, "SELECT at, by, body, "+soundSQL("seatings")+" FROM seatings WHERE bench = ?", benchKey).
		Scan(&at, &g.By, &body, &sound)
	if err != nil {
		return nil, wrap("get seating", missing(err, "nothing was ever seated on bench %s", benchKey))
	}
	if !sound {
		return nil, s.damaged("what was seated on bench " + benchKey)
	}
	g.At, g.Body = timeOf(at), json.RawMessage(body)
	return g, nil
}

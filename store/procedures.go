package store

import (
	"context"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

var procedures = &documentKind[procedure.Procedure]{
	name: "procedure", heads: "procedures", revisions: "procedure_revisions", columns: []string{"device"},
	head: func(p *procedure.Procedure) (string, string, []any) { return p.Key, p.Name, []any{p.Device} },
	check: func(p *procedure.Procedure) error {
		if p.Name == "" {
			return dut.Problems{{Field: "name", Message: "must not be empty"}}
		}
		return checkKey("key", p.Key)
	},
}

// SaveProcedure stores a new revision of a procedure and returns its number;
// expected as for SaveDevice. Whether its measurements make sense for the
// device is for package procedure to say.
func (s *Store) SaveProcedure(ctx context.Context, p procedure.Procedure, expected int, by string) (int, error) {
	return save(ctx, s, procedures, &p, expected, by)
}

// GetProcedure returns a revision of a procedure, 0 for the latest.
func (s *Store) GetProcedure(ctx context.Context, key string, rev int) (*Revised[procedure.Procedure], error) {
	return get(ctx, s, procedures, key, rev)
}

// ListProcedures returns the latest revision of every procedure for a device,
// or of all where device is empty, by name.
func (s *Store) ListProcedures(ctx context.Context, device string) ([]Revised[procedure.Procedure], error) {
	if device == "" {
		return list(ctx, s, procedures, "TRUE")
	}
	return list(ctx, s, procedures, "h.device = ?", device)
}

// ProcedureRevisions lists a procedure's revisions, newest first.
func (s *Store) ProcedureRevisions(ctx context.Context, key string) ([]Revision, error) {
	return history(ctx, s, procedures, key)
}

// DeleteProcedure takes a procedure out of the lists; its revisions stay.
func (s *Store) DeleteProcedure(ctx context.Context, key string) error {
	return remove(ctx, s, procedures, key, nil)
}

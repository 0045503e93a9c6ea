package store

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
)

// Integrity runs SQLite's own check of the whole file and of all references.
// It returns a Corrupt error with the first findings.
func (s *Store) Integrity(ctx context.Context) error {
	var found []string
	err := s.rows(ctx, "PRAGMA integrity_check(10)", nil, func(r *sql.Rows) error {
		var line string
		if err := r.Scan(&line); err != nil {
			return err
		}
		if line != "ok" {
			found = append(found, line)
		}
		return nil
	})
	if err != nil {
		return wrap("integrity check", err)
	}
	err = s.rows(ctx, "SELECT \"table\", rowid FROM pragma_foreign_key_check LIMIT 10", nil, func(r *sql.Rows) error {
		var table string
		var row sql.NullInt64
		if err := r.Scan(&table, &row); err != nil {
			return err
		}
		found = append(found, fmt.Sprintf("%s row %d refers to nothing", table, row.Int64))
		return nil
	})
	if err != nil {
		return wrap("integrity check", err)
	}
	if len(found) > 0 {
		return errorf(Corrupt, "integrity check: %s", strings.Join(found, "; "))
	}
	return nil
}

// Path is the absolute path of the database file.
func (s *Store) Path() string { return s.path }

// Checkpoint moves everything from the write-ahead log into the database file
// and empties the log. Where a reader is at work, what it needs stays.
func (s *Store) Checkpoint(ctx context.Context) error {
	var busy, frames, moved int
	err := s.write.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &frames, &moved)
	return wrap("checkpoint", err)
}

// Ping reports whether the database answers.
func (s *Store) Ping(ctx context.Context) error {
	var one int
	return wrap("ping", s.reader(ctx).QueryRowContext(ctx, "SELECT 1").Scan(&one))
}

package store

import (
	"context"
	"database/sql"
	"errors"
	"slices"
)

// What a program that knew no seals has stored gets its seals here: as it
// stands, since nobody knows better. The checksums that chunks, tails and
// snapshots always had are held against it as before.

// sealBlock is the number of rows that one transaction seals: whoever waits for
// the writer has it in between.
const sealBlock = 256

// SealSQL is the seal that a row of a table must have, as an SQL expression for
// connections of this process. It is for those who write rows past the store,
// as benchmarks do that need a long history.
func SealSQL(table string) string { return sealedFromHere(table) }

// unsealedAtOnce tells whether anything is not sealed yet that is sealed when the
// database is opened.
const unsealedAtOnce = "SELECT documents OR access OR units FROM unsealed WHERE id = 1"

// sealDocuments seals documents, what gives access, units and all that is as
// small, and chains the lines of the log, in one transaction.
func (s *Store) sealDocuments(ctx context.Context) error {
	var todo bool
	if err := s.write.QueryRowContext(ctx, unsealedAtOnce).Scan(&todo); err != nil || !todo {
		return err
	}
	return s.update(ctx, "seal documents", func(t *tx) error {
		for name, table := range sealedTables {
			if !slices.Contains([]string{oldDocument, oldAccess, oldUnits}, table.old) {
				continue
			}
			if err := sealRows(t, name, "seal IS NULL AND "+table.old); err != nil {
				return err
			}
		}
		if err := chainEvents(t); err != nil {
			return err
		}
		_, err := t.exec("UPDATE unsealed SET documents = 0, access = 0, units = 0 WHERE id = 1")
		return err
	})
}

// SealOld seals the runs of before, newest first, block by block. It may take
// minutes, is called when the bench is safe, and goes on where it was
// interrupted.
func (s *Store) SealOld(ctx context.Context) error {
	for {
		var seq, below int64
		err := s.reader(ctx).QueryRowContext(ctx, `SELECT coalesce((SELECT max(seq) FROM runs WHERE seq <= unsealed.runs), 0), runs
			FROM unsealed WHERE id = 1`).Scan(&seq, &below)
		if err != nil || below == 0 {
			return wrap("seal old runs", err)
		}
		if seq > 0 {
			err = s.sealRun(ctx, seq)
		}
		if err == nil {
			err = s.update(ctx, "seal old runs", func(t *tx) error {
				_, err := t.exec("UPDATE unsealed SET runs = ? WHERE id = 1", max(seq-1, 0))
				return err
			})
		}
		if err != nil {
			return err
		}
	}
}

// sealRun seals a run of before with all that belongs to it.
func (s *Store) sealRun(ctx context.Context, seq int64) error {
	for _, part := range []struct{ table, row, where string }{
		{"chunks", "id", "run = ?"}, {"results", "id", "run = ?"}, {"pictures", "rowid", "run = ?"},
		{"budgets", "result", "result IN (SELECT id FROM results WHERE run = ?)"},
		{"traffic", "rowid", "run = (SELECT id FROM runs WHERE seq = ?)"},
	} {
		for more := true; more; {
			err := s.update(ctx, "seal "+part.table, func(t *tx) error {
				n, err := t.exec("UPDATE "+part.table+" SET seal = "+sealedFromHere(part.table)+" WHERE "+part.row+
					" IN (SELECT "+part.row+" FROM "+part.table+" WHERE "+part.where+" AND seal IS NULL LIMIT ?)", seq, sealBlock)
				more = n == sealBlock
				return err
			})
			if err != nil {
				return err
			}
		}
	}
	return s.update(ctx, "seal run", func(t *tx) error {
		var running bool
		err := t.row("SELECT status = 'running' FROM runs WHERE seq = ?", seq).Scan(&running)
		if errors.Is(err, sql.ErrNoRows) || running {
			return nil // it has been deleted; or it is summed up at its end
		}
		readings, results, err := sumsOf(t, seq)
		if err != nil {
			return err
		}
		_, err = t.exec("UPDATE runs SET readings_sum = ?1, results_sum = ?2, seal = "+
			resealSQL("runs", map[string]string{"readings_sum": "?1", "results_sum": "?2"})+" WHERE seq = ?3", readings, results, seq)
		return err
	})
}

// sealedFromHere is sealSQL for an UPDATE, which cannot join a chunk's data.
func sealedFromHere(table string) string {
	if table != "chunks" {
		return sealSQL(table, nil)
	}
	return sealSQL(table, map[string]string{"data": "(SELECT " + chunkSum + " FROM chunk_data WHERE chunk = chunks.id)"})
}

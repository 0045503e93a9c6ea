package store

import "testing"

// CountRows looks into a table, for tests that ask what was left behind.
func CountRows(t testing.TB, s *Store, table string) (n int) {
	t.Helper()
	if err := s.read[Pages].QueryRow("SELECT count(*) FROM " + table).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// LogFrames says how many frames the write-ahead log holds that are not in
// the database file yet.
func LogFrames(t testing.TB, s *Store) int {
	t.Helper()
	var busy, frames, moved int
	if err := s.write.QueryRow("PRAGMA wal_checkpoint(PASSIVE)").Scan(&busy, &frames, &moved); err != nil {
		t.Fatal(err)
	}
	return frames + busy
}

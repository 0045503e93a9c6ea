package procedure

import "testing"

// WithSoak puts the tests' own kind into the table until the test is over.
func WithSoak(t testing.TB) { table(t, soakKind) }

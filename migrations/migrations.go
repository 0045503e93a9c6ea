// Package migrations holds the SQL that makes and changes the database.
package migrations

import "embed"

// FS holds the migrations, in the order of their numbers.
//
//go:embed *.sql
var FS embed.FS

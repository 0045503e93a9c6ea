package store

import (
	"database/sql/driver"
	"hash/crc32"
	"math"
	"strconv"
	"strings"
	"sync"

	"modernc.org/sqlite"
)

// A seal is a checksum of a row: CRC-32C (RFC 3720) over its columns, and over
// those that say where it belongs. It finds what a disk, a cable or a copy has
// changed, not what somebody has changed who knows how; that is what the chain
// of events is for.

// sealFunction is the name of the SQL function that works a seal out.
const sealFunction = "ohmkeep_seal"

func init() {
	sqlite.MustRegisterFunction(sealFunction, &sqlite.FunctionImpl{NArgs: -1, Deterministic: true, VolatileArgs: true,
		Scalar: func(_ *sqlite.FunctionContext, args []driver.Value) (driver.Value, error) { return sealOf(args), nil }})
}

var sealBuffers = sync.Pool{New: func() any { return new([]byte) }}

// sealOf returns the seal of values as SQLite has them: never 0, so that a row
// that is missing changes a sum of seals.
func sealOf(values []driver.Value) int64 {
	kept := sealBuffers.Get().(*[]byte)
	b := (*kept)[:0]
	for _, v := range values {
		switch v := v.(type) {
		case nil:
			b = append(b, 0)
		case int64:
			b = le.AppendUint64(append(b, 1), uint64(v))
		case float64:
			b = le.AppendUint64(append(b, 2), math.Float64bits(v+0)) // -0 is stored as 0
		case string:
			b = append(le.AppendUint64(append(b, 3), uint64(len(v))), v...)
		case []byte:
			b = append(le.AppendUint64(append(b, 4), uint64(len(v))), v...)
		}
	}
	sum := int64(int32(crc32.Checksum(b, castagnoli)))
	if cap(b) <= 1<<20 {
		*kept = b
		sealBuffers.Put(kept)
	}
	if sum == 0 {
		return 1
	}
	return sum
}

// sealedTable is the part of a table's rows that their seals cover.
type sealedTable struct {
	name    string
	columns []string
	// as holds, for columns, what is sealed in their place.
	as map[string]string
	// old is the condition, beside an empty seal, that a row is from before
	// seals and has not been sealed yet.
	old string
}

const (
	oldDocument = "(SELECT documents FROM unsealed WHERE id = 1)"
	oldAccess   = "(SELECT access FROM unsealed WHERE id = 1)"
	oldUnits    = "(SELECT units FROM unsealed WHERE id = 1)"
	oldRuns     = "(SELECT runs FROM unsealed WHERE id = 1)"
	neverOld    = "0" // a table that is younger than seals
)

// chunkSum is the checksum in the header of a chunk's data, in SQL.
const chunkSum = "substr(chunk_data.data, 5, 4)"

// sealedTables are all tables with seals. Rows that belong to a run name it.
var sealedTables = func() map[string]*sealedTable {
	tables := map[string]*sealedTable{}
	add := func(name, old, columns string, as map[string]string) {
		tables[name] = &sealedTable{name, strings.Split(columns, " "), as, old}
	}
	add("results", "results.run <= "+oldRuns,
		"run measurement key pin curve condition name value unit u low high outcome flags note k interval_from interval_to band conformity", nil)
	add("chunks", "chunks.run <= "+oldRuns, "run measurement first count t_first t_last summary data", map[string]string{"data": chunkSum})
	// A budget belongs to its result as that stands.
	add("budgets", oldRuns+" > 0", "result body of", map[string]string{"of": "(SELECT seal FROM results WHERE results.id = budgets.result)"})
	add("pictures", "pictures.run <= "+oldRuns, "run measurement readings picture", nil)
	add("traffic", oldRuns+" > 0", "run events dropped", nil)
	add("acknowledged", oldDocument, "run findings", nil)
	add("confirmed", oldDocument, "run items", nil)
	add("origins", oldDocument, "run body", nil)
	add("snapshots", oldDocument, "id hash body", nil)
	add("seatings", oldDocument, "bench at by body", nil)
	add("units", oldUnits, "id device serial lot first", nil)
	add("bench_checks", neverOld, "id bench began at ended by verdict body", nil)
	add("corrections", neverOld, "bench revision at by why built serial body", nil)
	// When something was last used is not sealed: it is written often, and gives
	// nothing.
	add("persons", oldAccess, "id name role by created suspended removed", nil)
	add("identities", oldAccess, "id person issuer subject label follows created", nil)
	add("sessions", oldAccess, "id hash person browser created expires", nil)
	add("tokens", oldAccess, "id hash person role name by created expires revoked", nil)
	add("invitations", oldAccess, "id hash kind person role maker by created expires uses used revoked", nil)
	add("shares", oldAccess, "id hash kind subject detail run by created expires revoked", nil)
	for _, k := range documentTables {
		add(k.heads, oldDocument, "key name rev removed"+k.columns, nil)
		add(k.revisions, oldDocument, "key rev at by body", nil)
	}
	var runs []string
	for _, c := range runColumns {
		if !c.beside {
			runs = append(runs, c.name)
		}
	}
	// The count of a run at work goes up with each chunk; it is sealed at the end.
	add("runs", "runs.seq <= "+oldRuns, strings.Join(runs, " ")+" results_sum readings_sum",
		map[string]string{"readings": "CASE runs.status WHEN 'running' THEN 0 ELSE runs.readings END"})
	return tables
}()

// documentTables are the tables of documents, with the columns that heads have
// beside those that all have.
var documentTables = [...]struct{ heads, revisions, columns string }{
	{"devices", "device_revisions", " model"},
	{"benches", "bench_revisions", ""},
	{"procedures", "procedure_revisions", " device"},
	{"pin_maps", "pin_map_revisions", " device bench"},
}

// sealSQL is the seal that a row of a table must have, in SQL. Set holds, for
// columns that a statement changes, their new values; as values it takes the
// place of the row where every column is in it.
func sealSQL(table string, set map[string]string) string {
	t := sealedTables[table]
	var args []string
	for _, c := range t.columns {
		v, changed := set[c]
		switch as, other := t.as[c]; {
		case changed:
		case other:
			v = as
		default:
			v = table + "." + c
		}
		args = append(args, v)
	}
	return sealFunction + "(" + strings.Join(args, ", ") + ")"
}

// soundSQL is the condition that a row fits its seal, in SQL: 1 or 0.
func soundSQL(table string) string {
	return "(" + table + ".seal IS " + sealSQL(table, nil) + " OR " + table + ".seal IS NULL AND " + sealedTables[table].old + ")"
}

// resealSQL is the new seal of a row that a statement changes, in SQL. A row
// that did not fit its seal does not fit the new one either: a change never
// makes damage good.
func resealSQL(table string, set map[string]string) string {
	return "CASE WHEN " + soundSQL(table) + " THEN " + sealSQL(table, set) + " ELSE 0 END"
}

// sealRows seals rows that have just been written, where a condition holds.
func sealRows(t *tx, table, where string, args ...any) error {
	_, err := t.exec("UPDATE "+table+" SET seal = "+sealSQL(table, nil)+" WHERE "+where, args...)
	return err
}

// numbered has the columns that a table's seal covers be the parameters of a
// statement, in their order: ?1, ?2 and so on.
func numbered(table string) map[string]string {
	set := map[string]string{}
	for i, c := range sealedTables[table].columns {
		set[c] = "?" + strconv.Itoa(i+1)
	}
	return set
}

// soundAs is soundSQL for a table that a query has under another name.
func soundAs(table, name string) string {
	return strings.ReplaceAll(soundSQL(table), table+".", name+".")
}

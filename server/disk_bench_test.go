package main

import (
	"database/sql"
	"flag"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"

	"ohmkeep/server/demo"
	"ohmkeep/server/procedure"
)

// diskSeconds is for how long BenchmarkDiskPerReading looks at each rate.
var diskSeconds = flag.Int("diskseconds", 15, "seconds of a run at each rate of BenchmarkDiskPerReading")

// BenchmarkDiskPerReading is what a reading costs on disk: the server runs as a
// process of its own and carries out a watch of one pin, and the operating
// system says how many bytes that process wrote. Beside it stands what SQLite
// needs for as many commits of one small row, in a file with the same settings
// and pages. Checkpoints count on both sides.
//
//	go test ./server -run xxx -bench DiskPerReading -benchtime 1x -diskseconds 30
//
// To reach: at 10 and 50 readings/s at most 1.5 of one row and 6 GB/day, from
// 1000 readings/s on at most 150 bytes/reading.
func BenchmarkDiskPerReading(b *testing.B) {
	for _, rate := range []int{1, 10, 50, 1000, 0} {
		name := fmt.Sprintf("%d_a_second", rate)
		if rate == 0 {
			name = "back_to_back"
		}
		b.Run(name, func(b *testing.B) {
			var sum diskUse
			for range b.N {
				sum.add(diskOfWatch(b, rate))
			}
			b.ReportMetric(0, "ns/op") // the time is given
			b.ReportMetric(float64(sum.bytes)/float64(sum.readings), "bytes/reading")
			b.ReportMetric(float64(sum.readings)/sum.took.Seconds(), "readings/s")
			b.ReportMetric(float64(sum.commits)/sum.took.Seconds(), "commits/s")
			b.ReportMetric(float64(sum.bytes)/float64(sum.plain), "of-one-row")
			b.ReportMetric(float64(sum.bytes)/sum.took.Seconds()*86400e-9, "GB/day")
		})
	}
}

// diskUse is what was written in a stretch of time.
type diskUse struct {
	bytes    int64 // by the server, and by the checkpoint of what it left in the log
	plain    int64 // for as many commits of one small row
	commits  int
	readings int64
	took     time.Duration
}

func (u *diskUse) add(v diskUse) {
	u.bytes, u.plain, u.commits = u.bytes+v.bytes, u.plain+v.plain, u.commits+v.commits
	u.readings, u.took = u.readings+v.readings, u.took+v.took
}

// diskOfWatch looks at a watch of rate readings/s (0: back to back) for
// diskSeconds, from its second second on.
func diskOfWatch(b *testing.B, rate int) diskUse {
	b.Helper()
	dir := b.TempDir()
	p := startProcess(b, dir, "-demo=false")
	c := p.token("operator")
	furnish(c)
	window := time.Duration(*diskSeconds) * time.Second
	watch := crashing().Measurements[watched]
	watch.Duration = window.Seconds() + 30
	if rate > 0 {
		watch.Interval = 1 / float64(rate)
	}
	c.do("PUT", "/procedures/disk", procedure.Procedure{Key: "disk", Name: "Disk", Device: demo.TarnelKey,
		Measurements: []procedure.Measurement{watch}}, nil)
	id := c.start(demo.TarnelKey, "disk")
	db := openBeside(b, databasePath(dir))
	<-time.After(time.Second)
	emptyLog(b, db)

	var u diskUse
	written, ownWritten, readings, begun := writtenBy(b, p.cmd.Process.Pid), writtenBy(b, os.Getpid()), c.readingsOf(id), time.Now()
	u.commits = countCommits(b, db, time.After(window))
	u.took, u.readings = time.Since(begun), c.readingsOf(id)-readings
	u.bytes = writtenBy(b, p.cmd.Process.Pid) - written
	emptyLog(b, db)
	u.bytes += writtenBy(b, os.Getpid()) - ownWritten
	if u.bytes == 0 || u.readings == 0 || u.commits == 0 {
		b.Fatalf("nothing was measured: %+v", u)
	}
	u.plain = oneRowCommits(b, u.commits, intPragma(b, db, "page_size"))
	c.do("POST", "/runs/"+id+"/stop", nil, nil)
	return u
}

func (c *apiClient) readingsOf(id string) int64 {
	c.t.Helper()
	var rec procedure.Record
	c.do("GET", "/runs/"+id, nil, &rec)
	return rec.Readings
}

// writtenBy is how many bytes a process has had written to disks, as Linux
// counts them: proc(5), write_bytes of /proc/PID/io, which takes whole pages of
// 4 KiB when they become dirty. What goes to sockets is not in it. A filesystem
// in memory has no disk and counts nothing: there the benchmark fails.
func writtenBy(b *testing.B, pid int) int64 {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/io", pid))
	if err != nil {
		b.Skipf("no account of a process here: %v", err)
	}
	m := regexp.MustCompile(`(?m)^write_bytes: (\d+)$`).FindSubmatch(text)
	if m == nil {
		b.Fatalf("no write_bytes in\n%s", text)
	}
	n, err := strconv.ParseInt(string(m[1]), 10, 64)
	if err != nil {
		b.Fatal(err)
	}
	return n
}

// openBeside opens a database that another process writes, on one connection.
func openBeside(b *testing.B, path string) *sql.DB {
	b.Helper()
	u := url.URL{Scheme: "file", Path: path, RawQuery: url.Values{
		"_busy_timeout": {"30000"}, "_journal_mode": {"WAL"}, "_synchronous": {"FULL"}}.Encode()}
	db, err := sql.Open("sqlite", u.String())
	if err != nil {
		b.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	b.Cleanup(func() {
		if err := db.Close(); err != nil {
			b.Error(err)
		}
	})
	return db
}

func intPragma(b *testing.B, db *sql.DB, name string) (n int) {
	b.Helper()
	if err := db.QueryRow("PRAGMA " + name).Scan(&n); err != nil {
		b.Fatal(err)
	}
	return n
}

// emptyLog moves what the write-ahead log holds into the file.
func emptyLog(b *testing.B, db *sql.DB) {
	b.Helper()
	var busy, frames, moved int
	if err := db.QueryRow("PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &frames, &moved); err != nil || busy != 0 {
		b.Fatalf("checkpoint: busy %d, %v", busy, err)
	}
}

// countCommits counts the commits of other processes until the end: SQLite's
// data_version is another after each of them. Two commits between two looks
// would count as one, to the disadvantage of the server.
func countCommits(b *testing.B, db *sql.DB, end <-chan time.Time) int {
	b.Helper()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for n, last := 0, intPragma(b, db, "data_version"); ; {
		select {
		case <-tick.C:
			if now := intPragma(b, db, "data_version"); now != last {
				n, last = n+1, now
			}
		case <-end:
			return n
		}
	}
}

// oneRowCommits is how many bytes n commits of one small row need, with the
// settings of the store.
func oneRowCommits(b *testing.B, n, pageSize int) int64 {
	b.Helper()
	db := openBeside(b, filepath.Join(b.TempDir(), "rows.db"))
	for _, s := range []string{
		"PRAGMA journal_mode = DELETE", fmt.Sprintf("PRAGMA page_size = %d", pageSize), "VACUUM", "PRAGMA journal_mode = WAL",
		"CREATE TABLE rows (id INTEGER PRIMARY KEY, at INTEGER NOT NULL, value REAL NOT NULL) STRICT",
	} {
		if _, err := db.Exec(s); err != nil {
			b.Fatal(err)
		}
	}
	if got := intPragma(b, db, "page_size"); got != pageSize {
		b.Fatalf("pages of %d bytes instead of %d", got, pageSize)
	}
	emptyLog(b, db)
	insert, err := db.Prepare("INSERT INTO rows (at, value) VALUES (?, ?)")
	if err != nil {
		b.Fatal(err)
	}
	defer insert.Close()
	before := writtenBy(b, os.Getpid())
	for i := range n {
		if _, err := insert.Exec(int64(i)*1_000_000_000, float64(i)+0.1); err != nil {
			b.Fatal(err)
		}
	}
	emptyLog(b, db)
	return writtenBy(b, os.Getpid()) - before
}

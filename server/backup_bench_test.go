package main

import (
	"context"
	"database/sql"
	"flag"
	"fmt"
	"net/http"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"ohmkeep/server/demo"
	"ohmkeep/server/procedure"
)

var (
	backupReadings = flag.Int("backupreadings", 80_000_000, "readings in the database of BenchmarkBackupDuringRun; 80 million take 1 GB")
	backupRuns     = flag.Int("backupruns", 5, "runs of BenchmarkBackupDuringRun with a backup at work, and as many without, by turns")
)

// quickLook is the demonstration's shortest procedure.
const quickLook = "tarnel-6-quick"

// BenchmarkBackupDuringRun is how much longer a run lasts while the database, one
// gigabyte, is backed up all the time: runs of the demonstration's quick look, whose
// times are those of the bench, and runs that read back to back, which want a
// processor, with and without by turns. The newest backup is then restored by the
// command, and held against the database row by row.
//
//	go test ./server -run xxx -bench BackupDuringRun -benchtime 1x -timeout 20m
//
// To reach: a run within 1.05 of its time.
func BenchmarkBackupDuringRun(b *testing.B) {
	for range b.N {
		dir := b.TempDir()
		storeLongRun(b, dir, "watch", *backupReadings)
		p := startProcess(b, dir, "-demo=false", "-backup-keep", "1")
		c := p.token("owner")
		furnish(c)
		busy := crashing()
		busy.Key, busy.Measurements[watched].Duration = "busy", 3
		c.do("PUT", "/procedures/busy", busy, nil)
		for _, q := range demo.Scenario().Procedures {
			if q.Key == quickLook {
				c.do("PUT", "/procedures/"+q.Key, q, nil)
			}
		}
		for _, key := range []string{quickLook, busy.Key} {
			took := map[bool][]time.Duration{}
			made := 0
			for range *backupRuns {
				for _, with := range []bool{false, true} {
					over := func() int { return 0 }
					if with {
						over = backedUp(c)
					}
					took[with] = append(took[with], runTime(c, key))
					made += over()
				}
			}
			without, with := quantile(took[false], 0.5), quantile(took[true], 0.5)
			b.Logf("%s: %v without, %v with; %d backups came to their end", key, took[false], took[true], made)
			b.ReportMetric(with.Seconds()/without.Seconds(), key+"-ratio")
			b.ReportMetric(slices.Max(took[true]).Seconds()/slices.Max(took[false]).Seconds(), key+"-ratio-longest")
		}
		var kept struct {
			Items []struct {
				Path, Error string
				Size        int64
				Took        float64
			}
		}
		c.do("GET", "/data/backups", nil, &kept)
		newest := kept.Items[0]
		if code := p.terminate(); code != 0 || newest.Error != "" {
			b.Fatalf("exit status %d, the newest backup: %+v\n%s", code, newest, p.errors())
		}
		b.ReportMetric(float64(newest.Size)/1e9, "GB")
		b.ReportMetric(newest.Took, "backup-s")
		to, begun := b.TempDir(), time.Now()
		if err := restore(b.Context(), newest.Path, to, restoring{}, os.Stderr); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(time.Since(begun).Seconds(), "restore-s")
		b.ReportMetric(float64(sameContent(b, databasePath(dir), databasePath(to))), "rows-the-same")
	}
}

// runTime is how long a run lasts that goes to its end, by the server's own times.
func runTime(c *apiClient, key string) time.Duration {
	c.t.Helper()
	id := c.start(demo.TarnelKey, key)
	if err := readToEnd(c.watch(id)); err != nil {
		c.t.Fatal(err)
	}
	var rec procedure.Record
	c.do("GET", "/runs/"+id, nil, &rec)
	if rec.Status != procedure.Done {
		c.t.Fatalf("the run ended as %s: %s", rec.Status, rec.Reason)
	}
	return rec.Ended.Sub(rec.Started)
}

// backedUp has backups made one after the other until the end is called, which waits
// for the last and returns how many were made.
func backedUp(c *apiClient) (end func() int) {
	ctx, cancel := context.WithCancel(c.t.Context())
	var work sync.WaitGroup
	made := 0
	begin := func() { c.do("POST", "/data/backups", nil, nil) }
	begin() // before the run begins
	work.Go(func() {
		tick := time.NewTicker(50 * time.Millisecond)
		defer tick.Stop()
		for {
			<-tick.C
			var now struct{ Running bool }
			if status, _, err := c.try("GET", "/data/backups", nil); err != nil || status != http.StatusOK {
				c.t.Errorf("%d %v", status, err)
				return
			}
			if c.do("GET", "/data/backups", nil, &now); now.Running {
				continue
			}
			made++
			if ctx.Err() != nil {
				return
			}
			begin()
		}
	})
	return func() int { cancel(); work.Wait(); return made }
}

// evidence are the tables to which rows are only added.
var evidence = []string{"chunks", "chunk_data", "results", "snapshots", "device_revisions", "procedure_revisions", "pin_map_revisions", "bench_revisions", "events"}

// sameContent holds a backup that was restored against the database that it was made
// of: every row of evidence in it is there, the same, and none of the long run's is
// missing. It returns how many were compared.
func sameContent(b *testing.B, original, restored string) (rows int) {
	b.Helper()
	db, err := sql.Open("sqlite", "file:"+restored+"?mode=ro")
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	number := func(query string, args ...any) (n int) {
		if err := db.QueryRowContext(b.Context(), query, args...).Scan(&n); err != nil {
			b.Fatalf("%v in %s", err, query)
		}
		return n
	}
	if _, err := db.ExecContext(b.Context(), "ATTACH ? AS original", "file:"+original+"?mode=ro"); err != nil {
		b.Fatal(err)
	}
	for _, table := range evidence {
		var columns, keys []string
		rs, err := db.QueryContext(b.Context(), "SELECT name, pk FROM pragma_table_info(?)", table)
		if err != nil {
			b.Fatal(err)
		}
		for rs.Next() {
			var name string
			var pk int
			if err := rs.Scan(&name, &pk); err != nil {
				b.Fatal(err)
			}
			columns = append(columns, "r."+name+" IS o."+name)
			if pk > 0 {
				keys = append(keys, "r."+name+" = o."+name)
			}
		}
		rs.Close()
		ended := ""
		if slices.Contains(columns, "r.run IS o.run") { // those of a run at work may still have changed
			ended = " AND r.run IN (SELECT seq FROM main.runs WHERE status = 'done')"
		}
		same := number(fmt.Sprintf("SELECT count(*) FROM main.%s r JOIN original.%s o ON %s WHERE %s%s", table, table, strings.Join(keys, " AND "), strings.Join(columns, " AND "), ended))
		all := number(fmt.Sprintf("SELECT count(*) FROM main.%s r WHERE true%s", table, ended))
		if table == "events" {
			all-- // the restore's own line
		}
		if same != all || same == 0 {
			b.Errorf("%s: %d of %d rows are those of the original", table, same, all)
		}
		rows += same
	}
	const long = "SELECT sum(count) FROM %s.chunks WHERE run = (SELECT seq FROM %s.runs WHERE id = 'long')"
	if is, was := number(fmt.Sprintf(long, "main", "main")), number(fmt.Sprintf(long, "original", "original")); is != was || is != *backupReadings {
		b.Errorf("the long run has %d readings, was %d, stored %d", is, was, *backupReadings)
	}
	return rows
}

package main

import (
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"ohmkeep/server/demo"
	"ohmkeep/server/live"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
	"ohmkeep/web"
)

const (
	crashProcedure = "crash"
	final          = 0   // index of its measurement whose results change no more
	watched        = 2   // and of that which goes on until the kill
	killWithin     = 250 // answers to everybody, frames of the page too
)

// crashing is a procedure with results early on and many readings later.
func crashing() procedure.Procedure {
	quick := func(id, kind string) procedure.Measurement {
		return procedure.Measurement{ID: id, Name: id, Kind: kind, Compliance: 2,
			Settle: procedure.Settle{Time: 1e-4}, Aperture: procedure.Aperture{Seconds: 1e-4}}
	}
	contact, sweep, watch := quick("contact", "contact"), quick("sweep", "sweep"), quick("watch", "watch")
	contact.Pins, contact.Level = []int{1, 2, 3}, 100e-6
	sweep.Pins, sweep.Use = []int{1}, procedure.UseCurrent
	sweep.Sweep = &procedure.Sweep{Spacing: procedure.Linear, From: 0, To: 1e-3, Points: 100, Back: true}
	watch.Pins, watch.Use, watch.Level = []int{1}, procedure.UseCurrent, 100e-6
	watch.Duration, watch.Aperture.Seconds = 20, 20e-6
	return procedure.Procedure{Key: crashProcedure, Name: "Crash", Device: demo.TarnelKey,
		Measurements: []procedure.Measurement{contact, sweep, watch}}
}

var kills = flag.Int("kills", 8, "how often TestKilledProgramLosesNothingShown kills the program; at most 4 with -short")

// killsPerLab is after how many kills a lab has been tried long enough and another
// one begins: its log of who did what, and its revisions, grow with each kill, and
// all of it is checked after each.
const killsPerLab = 50

// What any viewer was shown is there after the program was killed at any
// moment of a run, bit for bit; so is whatever else a person or a program was told
// is kept meanwhile; the run is marked; nothing is damaged; the bench is safe.
func TestKilledProgramLosesNothingShown(t *testing.T) {
	t.Parallel()
	n := *kills
	if testing.Short() {
		n = min(n, 4)
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	var all killed
	for all.kills < n && !t.Failed() {
		t.Run(fmt.Sprintf("lab %d", all.kills/killsPerLab+1), func(t *testing.T) {
			dir := storetest.Dir(t)
			if n > killsPerLab { // it takes hours: the disk is there for that, and memory is not
				dir = t.TempDir()
			}
			killLab(t, dir, min(killsPerLab, n-all.kills), random, &all)
		})
		t.Logf("so far %d kills, %d of them after readings had been shown: %d readings and %d results shown, %d requests acknowledged, %d backups restored",
			all.kills, all.seen, all.readings, all.results, all.told, all.made)
	}
	if all.told < 10*n || all.made == 0 {
		t.Errorf("%d requests were acknowledged before %d kills, and %d backups: too few to tell anything", all.told, n, all.made)
	}
	if all.seen < n/2 {
		t.Errorf("only %d of %d kills came after a reading had been shown", all.seen, n)
	}
}

// killed counts what was shown and promised before the kills of all labs.
type killed struct {
	kills, seen       int // seen: those after a reading had been shown
	readings, results int
	told, made        int // requests acknowledged; backups restored
}

// killLab kills the program of a new lab in dir n times, adds to the counts, and
// holds all that the lab said against what it has in the end.
func killLab(t *testing.T, dir string, n int, random *rand.Rand, all *killed) {
	p := startProcess(t, dir, "-demo=false")
	c := p.token("operator")
	furnish(c)
	busy := newBusyLab(t, p.token("owner"))
	for round := range n {
		s := newShown(c.start(demo.TarnelKey, crashProcedure))
		s.watch(c, p, random.IntN(killWithin), busy)
		p = startProcess(t, dir, "-demo=false")
		c.base, busy.c.base = p.base, p.base
		s.check(t, c)
		busy.over(s.id)
		faults := len(busy.c.faults)
		busy.after(round == n-1)
		if len(busy.c.faults) > faults {
			t.Logf("after kill %d: %s\nthe server says:\n%s", all.kills+1, strings.Join(busy.c.faults[faults:], "\n"), p.errors())
		}
		settledAfter(t, c, dir)
		if t.Failed() {
			t.Fatalf("after kill %d; the server that was started then says:\n%s", all.kills+1, p.errors())
		}
		all.kills++
		all.readings, all.results = all.readings+s.most(), all.results+len(s.results)
		if s.most() > 0 {
			all.seen++
		}
	}
	all.told, all.made = all.told+busy.told, all.made+busy.made
	if faults := busy.c.faults; len(faults) > 0 {
		t.Errorf("%d faults of servers that were started after a kill, first %s", len(faults), faults[0])
	}
}

// furnish stores the device and the procedure.
func furnish(c *apiClient) {
	c.t.Helper()
	docs := demo.Scenario()
	for _, d := range docs.Devices {
		if d.Key == demo.TarnelKey {
			c.do("PUT", "/devices/"+d.Key, d, nil)
		}
	}
	for _, m := range docs.PinMaps {
		if m.Device == demo.TarnelKey {
			c.do("PUT", "/devices/"+m.Device+"/pinmaps/"+m.Bench, m, nil)
		}
	}
	c.do("PUT", "/procedures/"+crashProcedure, crashing(), nil)
}

// columns are readings as the API answers them.
type columns struct {
	Count   int
	T, V, I []float64
	Point   []int
	Flags   []int
}

// shown is everything that the viewers of a run were shown before the kill.
type shown struct {
	id string

	mu      sync.Mutex
	count   int             // of readings, as the page and the API stated it
	rows    map[string]bool // of the page's table of the newest readings
	results map[string]bool // rows of the page's table of results
	listed  []json.RawMessage
	read    [watched + 1]columns
	csv     string        // of the watched measurement
	left    int           // answers until the kill
	moment  chan struct{} // closed then
}

func newShown(id string) *shown {
	return &shown{id: id, rows: map[string]bool{}, results: map[string]bool{}, moment: make(chan struct{})}
}

// most is the largest number of readings that anybody was shown.
func (s *shown) most() int {
	n := 0
	for i := range s.read {
		n += len(s.read[i].T)
	}
	return max(n, s.count)
}

// watch shows the run to a page and to a program while everybody else is at work,
// and kills the server after so many answers to all of them: a moment that a busy
// machine does not put before the first reading.
func (s *shown) watch(c *apiClient, p *process, answers int, busy *busyLab) {
	s.left = answers + 1
	s.answered()
	conn := c.watch(s.id)
	var viewers sync.WaitGroup
	viewers.Go(func() { s.page(c.t, conn) })
	viewers.Go(func() { s.program(c) })
	viewers.Go(func() { busy.work(s.answered) })
	<-s.moment
	p.kill()
	viewers.Wait()
}

// answered counts an answer; the last before the kill names the moment.
func (s *shown) answered() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.left--; s.left == 0 {
		close(s.moment)
	}
}

var (
	statedCount = regexp.MustCompile(`data-readings="(\d+)"`)
	tableRow    = regexp.MustCompile(`(?s)<tr[^>]*>.*?</tr>`)
	resultGroup = regexp.MustCompile(`(?s)<details class="fold" id="(run-results-\d+)".*?<tbody>(.*?)</tbody>`)
)

// page takes in what the run's page shows. It misses nothing: every frame that
// comes is kept.
func (s *shown) page(t testing.TB, conn *websocket.Conn) {
	for {
		_, text, err := conn.ReadMessage()
		if err != nil {
			return // killed
		}
		var f live.Frame
		if err := json.Unmarshal(text, &f); err != nil {
			t.Error(err)
			return
		}
		s.mu.Lock()
		if m := statedCount.FindStringSubmatch(f.Parts[web.PartRunStatus]); m != nil {
			n, _ := strconv.Atoi(m[1])
			s.count = max(s.count, n)
		}
		for _, row := range tableRow.FindAllString(f.Parts[web.PartRunLatest], -1) {
			if key := latestKey(row); key != "" {
				s.rows[key] = true
			}
		}
		for _, part := range f.Parts {
			maps.Copy(s.results, resultRows(part))
		}
		s.mu.Unlock()
		s.answered()
	}
}

var latestCells = regexp.MustCompile(`(?s)<td class="n">([^<]*)</td>`)

// latestKey is the time, voltage and current of a row of the newest readings.
func latestKey(row string) string {
	m := latestCells.FindAllStringSubmatch(row, -1)
	if len(m) != 4 {
		return ""
	}
	return m[0][1] + "|" + m[2][1] + "|" + m[3][1]
}

// resultRows are the rows of the results tables: whole where they can change no
// more, else what they are of.
func resultRows(html string) map[string]bool {
	out := map[string]bool{}
	for _, group := range resultGroup.FindAllStringSubmatch(html, -1) {
		for _, row := range tableRow.FindAllString(group[2], -1) {
			if group[1] != web.PartRunResults(final) {
				row, _, _ = strings.Cut(row[strings.Index(row, "<th"):], `<td class="n value"`)
			}
			out[group[1]+" "+row] = true
		}
	}
	return out
}

// program takes in what the API answers, until the server is gone.
func (s *shown) program(c *apiClient) {
	for {
		for m := range s.read {
			got, ok := s.more(c, m)
			if !ok {
				return
			}
			s.mu.Lock()
			s.read[m].append(got)
			s.mu.Unlock()
			s.answered()
		}
		status, text, err := c.try("GET", "/runs/"+s.id+"/results", nil)
		var results struct{ Items []json.RawMessage }
		if err != nil || status != 200 || json.Unmarshal(text, &results) != nil {
			return
		}
		status, text, _ = c.try("GET", fmt.Sprintf("/runs/%s/readings.csv?measurement=%d", s.id, watched), nil)
		s.mu.Lock()
		s.listed = results.Items
		if status == 200 { // also where the kill came in the midst of it
			s.csv = string(text)
		}
		s.mu.Unlock()
	}
}

// more asks for the readings of a measurement that were not shown yet.
func (s *shown) more(c *apiClient, m int) (columns, bool) {
	var got columns
	status, text, err := c.try("GET", fmt.Sprintf("/runs/%s/readings?measurement=%d&from=%d&limit=10000", s.id, m, len(s.read[m].T)), nil)
	ok := err == nil && status == 200 && json.Unmarshal(text, &got) == nil
	return got, ok
}

func (c *columns) append(more columns) {
	c.T, c.V, c.I = append(c.T, more.T...), append(c.V, more.V...), append(c.I, more.I...)
	c.Point, c.Flags = append(c.Point, more.Point...), append(c.Flags, more.Flags...)
}

// check holds what is there after the restart against what was shown.
func (s *shown) check(t *testing.T, c *apiClient) {
	t.Helper()
	var rec procedure.Record
	c.do("GET", "/runs/"+s.id, nil, &rec)
	// A machine that holds a commit up beyond its time ends a run before the kill does.
	heldUp := rec.Status == procedure.Failed && strings.Contains(rec.Reason, "deadline exceeded")
	if rec.Status != procedure.Interrupted && !heldUp || rec.Reason == "" || rec.Ended.IsZero() {
		t.Errorf("the run is %q, ended %v: %q", rec.Status, rec.Ended, rec.Reason)
	}
	if int(rec.Readings) < s.count {
		t.Errorf("the run has %d readings, %d were shown", rec.Readings, s.count)
	}
	s.checkReadings(t, c, int(rec.Readings))
	status, text, err := c.try("GET", fmt.Sprintf("/runs/%s/readings.csv?measurement=%d", s.id, watched), nil)
	if err != nil || status != 200 || !strings.HasPrefix(string(text), s.csv) {
		t.Errorf("%d %v: the file of %d bytes does not begin with the %d bytes that were shown", status, err, len(text), len(s.csv))
	}
	s.checkResults(t, c)
}

func (s *shown) checkReadings(t *testing.T, c *apiClient, stated int) {
	kept, rows := newShown(s.id), map[string]bool{}
	total := 0
	for m := range s.read {
		for {
			got, ok := kept.more(c, m)
			if !ok {
				t.Fatalf("the readings of measurement %d are not to be had", m)
			}
			if len(got.T) == 0 {
				break
			}
			kept.read[m].append(got)
		}
		a, b := &s.read[m], &kept.read[m]
		total += len(b.T)
		n := len(a.T)
		if len(b.T) < n {
			t.Fatalf("measurement %d: %d readings were shown, %d are kept", m, n, len(b.T))
		}
		if !sameBits(a.T, b.T[:n]) || !sameBits(a.V, b.V[:n]) || !sameBits(a.I, b.I[:n]) ||
			!slices.Equal(a.Point, b.Point[:n]) || !slices.Equal(a.Flags, b.Flags[:n]) {
			t.Errorf("measurement %d: the readings are not those that were shown", m)
		}
		for i := range b.T {
			rows[fmt.Sprintf("%.3f s|%s|%s", b.T[i], quantity.Format(b.V[i], quantity.Volt, 6), quantity.Format(b.I[i], quantity.Ampere, 6))] = true
		}
	}
	if total != stated {
		t.Errorf("%d readings are kept, the run says %d", total, stated)
	}
	for row := range s.rows {
		if !rows[row] {
			t.Errorf("a page showed %s, which is not among the %d readings", row, total)
		}
	}
}

func sameBits(a, b []float64) bool {
	return slices.EqualFunc(a, b, func(x, y float64) bool { return math.Float64bits(x) == math.Float64bits(y) })
}

// checkResults holds the results of the page and of the API against the
// permanent page and the API. Those that move on with every reading must be
// there, at whatever value.
func (s *shown) checkResults(t *testing.T, c *apiClient) {
	var now struct{ Items []json.RawMessage }
	c.do("GET", "/runs/"+s.id+"/results", nil, &now)
	kept := map[string]bool{}
	for _, r := range now.Items {
		kept[resultKey(t, r)] = true
	}
	for _, r := range s.listed {
		if key := resultKey(t, r); !kept[key] {
			t.Errorf("result %s was shown and is missing", key)
		}
	}
	page := resultRows(c.page("/runs/" + s.id))
	for row := range s.results {
		if !page[row] {
			t.Errorf("a page showed the result %s, which the permanent page has not", row)
		}
	}
}

// resultKey is a result whole, or what identifies it where it still changes.
func resultKey(t *testing.T, text json.RawMessage) string {
	var r struct {
		Measurement, Pin int
		Key, Group       string
	}
	if err := json.Unmarshal(text, &r); err != nil {
		t.Fatal(err)
	}
	if r.Measurement == final {
		return string(text)
	}
	return fmt.Sprintf("%d %s %d %s", r.Measurement, r.Key, r.Pin, r.Group)
}

// settledAfter checks everything that is not about this one run.
func settledAfter(t *testing.T, c *apiClient, dir string) {
	t.Helper()
	var running struct{ Items []json.RawMessage }
	c.do("GET", "/runs?status=running", nil, &running)
	if len(running.Items) != 0 {
		t.Errorf("still running: %s", running.Items)
	}
	var bench struct{ State, Run string }
	c.do("GET", "/benches/"+demo.BenchKey, nil, &bench)
	if bench.State != "safe" || bench.Run != "" {
		t.Errorf("the bench is %q, with run %q", bench.State, bench.Run)
	}
	s, err := store.Open(t.Context(), databasePath(dir), store.Options{}) // beside the server, as the token command does
	if err != nil {
		t.Fatal(err)
	}
	checked, err := s.Check(t.Context(), nil)
	if err != nil || len(checked.Findings) > 0 {
		t.Errorf("the check finds %+v, %v", checked, err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

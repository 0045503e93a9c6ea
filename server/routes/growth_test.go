package routes

import (
	"flag"
	"fmt"
	"math"
	"net/http"
	"slices"
	"testing"
	"time"

	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/store/storetest"
)

// growTo is the size of the largest history and of the longest list of
// devices that the benchmarks of growth fill.
var growTo = flag.Int("growth", 10_000, "runs and devices that the benchmarks of growth go up to, in powers of ten")

// sizes are the powers of ten from a first size up to growTo, at most most.
func sizes(first, most int) (out []int) {
	for n := first; n <= min(*growTo, most); n *= 10 {
		out = append(out, n)
	}
	return out
}

// BenchmarkGrowthOfHistory measures requests on histories of different lengths
// and fits the exponent e of time = c · runs^e: 0 is flat, 1 is linear.
//
//	go test ./server/routes -run xxx -bench GrowthOfHistory -benchtime 1x -growth 100000
func BenchmarkGrowthOfHistory(b *testing.B) {
	var labs []grownLab
	for _, n := range sizes(1000, 100_000) {
		labs = append(labs, grownLab{n, labOfRuns(b, n)})
	}
	for _, c := range []struct{ name, path string }{
		{"home", "/"},
		{"runs", "/runs"},
		{"device", "/runs?device=load-3"},
		{"lot", "/runs?lot=L7"},
		{"unit", "/runs?unit=S77"},
		{"outcome", "/runs?outcome=conditional+fail"},
		{"outcome none", "/runs?outcome=invalid"},
		{"status", "/runs?status=interrupted"},
		{"status none", "/runs?status=running"},
		{"days", "/runs?from=2030-01-01&to=2030-01-02"},
		{"text", "/runs?q=needle"},
		{"text everywhere", "/runs?q=figures"},
		{"text none", "/runs?q=quite+absent"},
		{"short text none", "/runs?q=qz"},
		{"two columns none", "/runs?device=load-3&outcome=invalid"},
		{"two columns", "/runs?device=load-3&outcome=conditional+fail"},
		{"api runs", "/api/v1/runs?limit=50"},
		{"api overview", "/api/v1/overview"},
		{"api units", "/api/v1/units?limit=50"},
		{"device page", "/devices/load"},
		{"devices", "/devices"},
		{"csv", "/runs.csv"},
	} {
		b.Run(c.name, func(b *testing.B) { growth(b, labs, c.path, "runs") })
	}
}

// BenchmarkGrowthOfDevices measures requests on lists of devices of different
// lengths, each device with a pin map and a procedure.
//
//	go test ./server/routes -run xxx -bench GrowthOfDevices -benchtime 1x
func BenchmarkGrowthOfDevices(b *testing.B) {
	var labs []grownLab
	for _, n := range sizes(100, 10_000) {
		labs = append(labs, grownLab{n, labOfDevices(b, n)})
	}
	for _, c := range []struct{ name, path string }{
		{"home", "/"},
		{"devices", "/devices"},
		{"procedures", "/procedures"},
		{"bench", "/bench"},
		{"manual", "/manual"},
		{"bring-up", "/bench/bring-up"},
		{"runs", "/runs"},
		{"api devices", "/api/v1/devices"},
		{"api procedures", "/api/v1/procedures"},
	} {
		b.Run(c.name, func(b *testing.B) { growth(b, labs, c.path, "devices") })
	}
}

// grownLab is a server with so many runs or devices.
type grownLab struct {
	n   int
	lab *wholeServer
}

// growth reports how long a request takes in each lab, and the exponent.
func growth(b *testing.B, labs []grownLab, path, of string) {
	b.Helper()
	var ns, took []float64
	for range b.N {
		ns, took = ns[:0], took[:0]
		for _, g := range labs {
			d := g.lab.quickest(b, path)
			ns, took = append(ns, float64(g.n)), append(took, d.Seconds()*1e3)
			b.ReportMetric(d.Seconds()*1e3, fmt.Sprintf("ms@%d", g.n))
		}
	}
	b.ReportMetric(0, "ns/op")
	if len(labs) > 1 {
		b.ReportMetric(exponent(ns, took), "exponent/"+of)
	}
}

// quickest is the shortest time of a request, asked for until half a second has
// gone, at least 5 and at most 25 times, after one that fills the caches: what
// the request costs beside whatever else the machine does.
func (l *wholeServer) quickest(b *testing.B, path string) time.Duration {
	b.Helper()
	var times []time.Duration
	begun := time.Now()
	for i := range 26 {
		at := time.Now()
		w := l.ask(path)
		if w.Code != http.StatusOK {
			b.Fatalf("%s: status %d: %.300s", path, w.Code, w.Body)
		}
		if i > 0 {
			times = append(times, time.Since(at))
		}
		if len(times) >= 5 && time.Since(begun) > time.Second/2 {
			break
		}
	}
	return slices.Min(times)
}

// exponent is the slope of log y over log x by least squares.
func exponent(x, y []float64) float64 {
	var mx, my, xx, xy float64
	for i := range x {
		mx, my = mx+math.Log(x[i]), my+math.Log(y[i])
	}
	mx, my = mx/float64(len(x)), my/float64(len(x))
	for i := range x {
		dx := math.Log(x[i]) - mx
		xx, xy = xx+dx*dx, xy+dx*(math.Log(y[i])-my)
	}
	return xy / xx
}

func TestExponent(t *testing.T) {
	x := []float64{100, 1000, 10_000}
	for want, y := range map[float64][]float64{0: {7, 7, 7}, 1: {2, 20, 200}, 0.5: {3, 3 * math.Sqrt(10), 30}, 2: {1, 100, 10_000}} {
		if got := exponent(x, y); math.Abs(got-want) > 1e-12 {
			t.Errorf("exponent of %v is %g, want %g", y, got, want)
		}
	}
}

// labOfRuns is a lab with n runs of ten devices in a hundred lots, ten of each
// unit. A few hold what filters look for; those are old.
func labOfRuns(b testing.TB, n int) *wholeServer {
	b.Helper()
	l := newLab(b, false)
	procedures := loadProcedure()
	procedures.Name = "Figures of the load"
	first := &procedure.Record{ID: "run", Device: loadDevice(), Procedure: procedures, PinMap: loadPinMap(), Bench: rehearsal.DefaultBench(),
		Started: time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC), Operator: "Tester", Rehearsal: true}
	first.Unit.Serial, first.Unit.Lot = "S1", "L1"
	known := *first // makes its unit known, like which the others are
	known.ID = "known"
	must(b, l.store.Begin(b.Context(), &known))
	storetest.More(b, l.store, "units", "serial = 'S1'", n/10, map[string]string{"id": "1000 + i", "serial": "'S' || i", "device": "'load-' || (i % 10)",
		"lot": "'L' || (i % 100)"})
	must(b, l.store.Finish(b.Context(), known.ID, procedure.Ending{Status: procedure.Done, Ended: first.Started}))
	must(b, l.store.DeleteRun(b.Context(), known.ID))
	storetest.Fill(b, l.store, n, first, map[string]string{
		"device":      "'load-' || (i % 10)",
		"device_name": "'Load ' || (i % 10)",
		"serial":      "'S' || (i % (" + fmt.Sprint(n) + " / 10))",
		"lot":         "'L' || (i % 100)",
		"started":     "started + i * 60000000000",
		"ended":       "started + i * 60000000000 + 4000000000",
		"note":        "CASE WHEN i < 5 THEN 'a needle' WHEN i % 20 = 0 THEN 'looked at pin ' || (i % 16) || ' again' ELSE '' END",
		"status":      "CASE WHEN i < 5 THEN 'interrupted' ELSE 'done' END",
		"outcome":     "CASE WHEN i < 20 THEN 'conditional fail' WHEN i % 7 = 0 THEN 'fail' ELSE 'pass' END",
		"readings":    "500",
		"unit":        "1000 + i % (" + fmt.Sprint(n) + " / 10)",
	})
	storetest.More(b, l.store, "devices", "key = 'load'", 10, map[string]string{"key": "'load-' || i", "name": "'Load ' || i"})
	storetest.More(b, l.store, "device_revisions", "key = 'load'", 10, deviceBody)
	return l
}

var deviceBody = map[string]string{"key": "'load-' || i", "body": "json_set(body, '$.key', 'load-' || i, '$.name', 'Load ' || i)"}

// labOfDevices is a lab with n devices, each with a pin map and a procedure.
func labOfDevices(b testing.TB, n int) *wholeServer {
	b.Helper()
	l := newLab(b, false)
	_, err := l.store.SaveProcedure(b.Context(), loadProcedure(), 0, "test")
	must(b, err)
	named := map[string]string{"key": "'load-' || i", "name": "'Load ' || i"}
	storetest.More(b, l.store, "devices", "key = 'load'", n, named)
	storetest.More(b, l.store, "device_revisions", "key = 'load'", n, deviceBody)
	of := loadProcedure().Key
	storetest.More(b, l.store, "procedures", "key = '"+of+"'", n, map[string]string{"key": "'" + of + "-' || i", "device": "'load-' || i"})
	storetest.More(b, l.store, "procedure_revisions", "key = '"+of+"'", n, map[string]string{"key": "'" + of + "-' || i",
		"body": "json_set(body, '$.key', '" + of + "-' || i, '$.device', 'load-' || i)"})
	storetest.More(b, l.store, "pin_maps", "device = 'load'", n, map[string]string{"key": "'load-' || i || '/' || bench", "device": "'load-' || i"})
	storetest.More(b, l.store, "pin_map_revisions", "key LIKE 'load/%'", n, map[string]string{"key": "'load-' || i || '/' || substr(key, 6)",
		"body": "json_set(body, '$.device', 'load-' || i)"})
	return l
}

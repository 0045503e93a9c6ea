package health

import (
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
)

// Counts are what the server has done since it began, and what it does now.
type Counts struct {
	Readings, Commits int64
	DatabaseBytes     int64
	Ended             map[string]int64 // runs, by how they ended
	AtWork            bool             // a run is
	Viewers           int              // live sockets
	Reports           int              // open
	LinkErrors        uint64           // answers of cards that came late or could not be understood
}

// collector gives the counts and the last report to a monitor that asks.
type collector struct {
	monitor *Monitor
	counts  func() Counts
}

func described(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("ohmkeep_"+name, help, labels, nil)
}

var (
	descReadings   = described("readings_stored_total", "Readings stored since the start.")
	descCommits    = described("commits_total", "Commits of the database since the start.")
	descDatabase   = described("database_bytes", "Size of the database with its log.")
	descEnded      = described("runs_ended_total", "Runs that have ended since the start.", "status")
	descAtWork     = described("run_at_work", "1 while a run is at work.")
	descViewers    = described("viewers", "Pages that are connected live.")
	descReports    = described("reports_open", "Exports and other reports that are open.")
	descLinkErrors = described("link_errors_total", "Answers of cards that came late or could not be understood.")
	descFree       = described("disk_free_bytes", "Room on the disk of the database.")
	descLeft       = described("disk_left_seconds", "Seconds of measuring that the disk has room for at the present rate.")
	descMemory     = described("memory_left_bytes", "Memory that the program may still take by the limit that is the nearest.")
	descMemoryMost = described("memory_limit_bytes", "That limit: of GOMEMLIMIT, a control group, the address space or the machine.")
	descLevel      = described("health_level", "0 good, 1 attention, 2 trouble.", "fact")
)

// NewRegistry returns what a monitor is told in the format of Prometheus: the counts,
// the report, and what the Go runtime and the operating system say of the process.
func NewRegistry(m *Monitor, counts func() Counts) *prometheus.Registry {
	r := prometheus.NewRegistry()
	r.MustRegister(&collector{m, counts}, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return r
}

// Describe names all metrics.
func (c *collector) Describe(to chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{descReadings, descCommits, descDatabase, descEnded, descAtWork, descViewers, descReports, descLinkErrors, descFree, descLeft, descMemory, descMemoryMost, descLevel} {
		to <- d
	}
}

// Collect tells their values.
func (c *collector) Collect(to chan<- prometheus.Metric) {
	tell := func(d *prometheus.Desc, kind prometheus.ValueType, v float64, labels ...string) {
		to <- prometheus.MustNewConstMetric(d, kind, v, labels...)
	}
	n := c.counts()
	tell(descReadings, prometheus.CounterValue, float64(n.Readings))
	tell(descCommits, prometheus.CounterValue, float64(n.Commits))
	tell(descDatabase, prometheus.GaugeValue, float64(n.DatabaseBytes))
	for status, count := range n.Ended {
		tell(descEnded, prometheus.CounterValue, float64(count), status)
	}
	atWork := 0.0
	if n.AtWork {
		atWork = 1
	}
	tell(descAtWork, prometheus.GaugeValue, atWork)
	tell(descViewers, prometheus.GaugeValue, float64(n.Viewers))
	tell(descReports, prometheus.GaugeValue, float64(n.Reports))
	tell(descLinkErrors, prometheus.CounterValue, float64(n.LinkErrors))
	r := c.monitor.Latest()
	tell(descFree, prometheus.GaugeValue, float64(r.FreeBytes))
	tell(descLeft, prometheus.GaugeValue, 3600*r.HoursLeft())
	if r.Memory.Limit > 0 {
		tell(descMemory, prometheus.GaugeValue, float64(r.Memory.Left))
		tell(descMemoryMost, prometheus.GaugeValue, float64(r.Memory.Limit))
	}
	for _, f := range r.Facts {
		tell(descLevel, prometheus.GaugeValue, float64(f.Level), f.Key)
	}
}

package demo

import (
	"fmt"
	"testing"

	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
)

// BenchmarkDraftAndCheck is the server's time to draft a procedure for a part
// with 48 pins and to check it. 200 ms is the figure to keep.
func BenchmarkDraftAndCheck(b *testing.B) {
	def := rehearsal.DefaultBench()
	d := averlock48()
	pm := averlockMap(&d)
	var report procedure.CheckReport
	var measurements int
	for b.Loop() {
		p, _ := procedure.Draft(&d, &def, &pm)
		measurements = len(p.Measurements)
		report = procedure.PrePower(procedure.CheckInput{Device: &d, Procedure: &p, PinMap: &pm, Bench: &def})
	}
	b.ReportMetric(float64(measurements), "measurements")
	b.ReportMetric(float64(len(report.Findings)), "findings")
	for _, f := range report.Findings {
		b.Logf("%s %s: %s", f.Severity, f.Name(), f.Message)
	}
}

// BenchmarkCheckLong is the check of a procedure with 500 measurements.
func BenchmarkCheckLong(b *testing.B) {
	def := rehearsal.DefaultBench()
	d := averlock48()
	pm := averlockMap(&d)
	p := averlockProcedure()
	one := p.Measurements
	for i := len(p.Measurements); i < 500; i++ {
		m := one[i%len(one)]
		m.ID = fmt.Sprintf("%s-%d", m.ID, i)
		m.Pins = m.Pins[:min(len(m.Pins), 4)]
		p.Measurements = append(p.Measurements, m)
	}
	for b.Loop() {
		procedure.PrePower(procedure.CheckInput{Device: &d, Procedure: &p, PinMap: &pm, Bench: &def})
	}
}

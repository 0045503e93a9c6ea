package web

import (
	"fmt"
	"math"
	"net/url"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

func runOn(d dut.Device) RunProps {
	p := sampleRun()
	p.Record.Device, p.Pins = d, sampleMarks(&d)
	return p
}

func sharedRun() RunProps {
	p := doneRun()
	p.Shared, p.Base, p.CanEdit, p.CanDelete = true, "/s/abcdefghijklmnopqrstuv", false, false
	p.Page.Public, p.Page.User, p.Page.Role = true, "", ""
	return p
}

func sampleDevices() DevicesProps {
	return DevicesProps{Page: samplePage("/devices", "Devices"), Devices: []DeviceRow{
		{Key: "hx-14", Name: "HX-14 hex inverter", Description: "Six inverters with hysteresis.", Package: dut.Package{Family: dut.DualRow, Pins: 14}, Procedures: 2, Runs: 31, Rehearsable: true},
		{Key: "io-48", Name: "IO-48 port expander", Package: dut.Package{Family: dut.Quad, Pins: 48, ThermalPad: true}, Procedures: 1},
	}}
}

func sampleDevice() DeviceProps {
	def := sampleBench()
	m := bench.PinMap{Device: "hx-14", Bench: "rehearsal", Contacts: map[int]int{}, Straps: []bench.Strap{{Contact: 20, Kind: bench.StrapReturn}, {Contact: 21, Kind: bench.StrapResistor, Resistance: 10e3}}}
	for i := 1; i <= 14; i++ {
		m.Contacts[i] = i + 10
	}
	return DeviceProps{Page: samplePage("/devices", "HX-14"), Device: hexInverter(), Rev: 2, PinMap: &m, BenchName: def.Name, Bench: &def,
		Procedures: []ProcedureRow{{"hx-14-incoming", "Incoming inspection", 6}}, Last: sampleRows()}
}

func sampleProcedurePage() ProcedureProps {
	return ProcedureProps{Page: samplePage("/procedures", "Incoming inspection"), Procedure: sampleProcedure(), Rev: 3, Device: hexInverter(), CanStart: true, OfferSeat: true,
		Start: Form{ID: "start"}, Report: sampleCheck().Report}
}

// sampleCheck has one finding of each severity, and a prediction of each class.
func sampleCheck() CheckProps {
	p := sampleProcedure()
	r := procedure.CheckReport{Total: 12.5, Findings: []procedure.Finding{
		{Severity: procedure.SeverityError, Code: procedure.CodeClash, Measurement: 1, ID: p.Measurements[1].ID, Pins: []int{3, 5},
			Message: "pins 3 and 5 both need a path of multiplexer A, which closes one at a time", Fields: []string{"measurements[1].hold[0]"}},
		{Severity: procedure.SeverityWarning, Code: procedure.CodeSettle, Measurement: 0, ID: p.Measurements[0].ID, Pins: []int{1},
			Message: "pin 1 1A: settles for 2 ms, but on the 1 µA range its channel has a time constant of 2 ms: wait at least 14 ms", Fields: []string{"measurements[0].settle.time"}},
		{Severity: procedure.SeverityNote, Code: procedure.CodeUntouched, Measurement: -1, Pins: []int{9}, Message: "pin 9 4A: read by no measurement"},
	}}
	for i, m := range p.Measurements {
		c := procedure.MeasurementCheck{Index: i, ID: m.ID, Name: m.Name, Estimate: procedure.Estimate{Points: 12, Readings: 12, Switching: 24e-3, Settling: 0.12, Reading: 0.24, Ramp: 0.03}}
		for k, ratio := range []float64{0.6, 2.4, 35} {
			c.Predictions = append(c.Predictions, procedure.Prediction{Ratio: ratio, Result: procedure.Result{Key: fmt.Sprint(k), Name: "Leakage high", Pin: 1, U: 2e-9, Unit: quantity.Ampere, Low: fp(-1e-7), High: fp(1e-7)}})
		}
		r.Measurements = append(r.Measurements, c)
	}
	return CheckProps{Page: samplePage("/procedures", "Before power"), Procedure: p, Rev: 3, Device: hexInverter(), Report: r, CanStart: true, OfferSeat: true, Start: Form{ID: "start"}}
}

// sampleAsk is the check after a start that did not acknowledge its warnings.
func sampleAsk() CheckProps {
	p := sampleCheck()
	p.Report.Findings, p.Asked = p.Report.Findings[1:], true
	return p
}

func sampleBenchPage() BenchProps {
	p := BenchProps{Page: samplePage("/bench", "Bench"), Def: sampleBench(), Identity: bench.Identity{Name: "Rehearsal", Serial: "0001", Version: "1", Rehearsal: true},
		State: bench.Unknown, Holder: "R. Okonjo", Mine: true, CanUse: true, Faults: []bench.Fault{{At: sampleTime, Code: -240, Message: "the link was lost while channel 2 was on"}},
		Seat:   Form{ID: "seat", Values: url.Values{"model": {"hex-inverter"}, "seed": {"many"}, "fault": {"leak"}, "at": {"99"}}, Errors: map[string]string{"seed": "write a whole number, such as 7", "at-1": "the part has pins 1 to 14"}},
		Models: []Option{{"hex-inverter", "hex inverter, 14 pins", ""}, {"empty", "empty socket", ""}}, Seated: []string{"hex inverter, seed 7", "pin 3: bond open"},
		UnitFaults: []FaultChoice{{Key: "leak", Label: "leaky pin", Unit: quantity.Ohm, At: "pin", ValueLabel: "resistance"}, {Key: "short", Label: "pins shorted", At: "pin", Other: "pin"}},
		BenchForm:  Form{ID: "faults"}, BenchFaults: []FaultChoice{{Key: "mux", Label: "multiplexer enable floating", At: "channel"}},
		Now: []ChannelNow{{On: true, V: 5, I: 1e-3}, {}, {}, {}}}
	p.Page.Bench.State, p.Page.Bench.Fault = bench.Unknown, "the link was lost"
	return p
}

func sampleRuns() RunsProps {
	return RunsProps{Page: samplePage("/runs", "Runs"), Filter: Form{ID: "filter", Values: url.Values{"lot": {"L-24"}, "from": {"2026-13-40"}}, Errors: map[string]string{"from": "write a date as 2026-03-14"}},
		Devices: []Option{{"hx-14", "HX-14 hex inverter", ""}}, Rows: sampleRows(), Total: 137, Newer: "/runs?lot=L-24&before=9", Older: "/runs?lot=L-24&after=9", CSV: "/runs.csv?lot=L-24", WideCSV: "/runs/wide.csv?lot=L-24"}
}

func sampleLot() LotProps {
	p := LotProps{Page: samplePage("/runs", "Lot L-24"), Lot: "L-24", Device: "HX-14 hex inverter", Procedure: "Incoming inspection", Lots: []Option{{"L-24", "L-24", ""}}, Pick: Form{ID: "pick"}, Units: 24,
		Outcome: map[derive.Outcome]int{derive.Pass: 19, derive.ConditionalPass: 1, derive.Fail: 3, derive.Invalid: 1}, Rows: sampleRows(), WideCSV: "/runs/wide.csv?lot=L-24"}
	for k, name := range []string{"Lower diode", "Upper diode", "Leakage high"} {
		s := LotStat{Measurement: "Contact", Name: name, Pin: "1 1A", Unit: quantity.Volt, N: 24, Mean: 0.652, SD: 0.012, Min: 0.63, Max: 0.69, Low: fp(0.6), High: fp(0.68), Passed: 22, Of: 24, Href: "/compare?lot=L-24&r=1", Selected: k == 0}
		for i := range 24 {
			s.Values = append(s.Values, 0.652+0.012*math.Sin(float64(i*i+k)))
		}
		p.Stats = append(p.Stats, s)
	}
	plot := LotPlot(p.Stats[0])
	p.Plot = &plot
	return p
}

func sampleManual() ManualProps {
	d := hexInverter()
	p := ManualProps{Page: samplePage("/manual", "Manual"), Device: &d, Devices: []Option{{"hx-14", "HX-14 hex inverter", ""}}, Pins: sampleMarks(&d), CanUse: true, CanKeep: true, Working: true,
		Form:   Form{ID: "manual", Values: url.Values{"device": {"hx-14"}, "do": {"curve"}, "pin": {"3"}, "against": {"0"}, "use": {"voltage"}, "from": {"-1 A"}, "to": {"1 V"}, "points": {"101"}}, Errors: map[string]string{"from": "this is a current in A: write a voltage such as 3.3 V", "hold-level-1": "nothing given"}},
		Values: []BigValue{{Label: "Resistance, pin 3 2A against the return", Text: "4.7021 kΩ ± 0.0012 kΩ"}, {Label: "Current", Text: "−5.000 mA", Flags: bench.InCompliance}},
		Plots:  []Plot{diodePlot()}, Keep: Form{ID: "keep"}}
	for i := range p.Pins {
		p.Pins[i].Href = "/manual?device=hx-14&pin=" + quantity.Plain(float64(p.Pins[i].Number))
		p.Pins[i].Selected = p.Pins[i].Number == 3
	}
	p.Page.Live = "/manual/live"
	return p
}

package web

import (
	"math"
	"net/url"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// hostile is a name as somebody could give it.
const hostile = `<script>alert("x")</script>&'`

func fp(v float64) *float64 { return &v }

var sampleTime = time.Date(2026, 3, 14, 9, 26, 0, 0, time.UTC)

// hexInverter is an invented 14-pin part.
func hexInverter() dut.Device {
	d := dut.Device{Key: "hx-14", Name: "HX-14 hex inverter", Description: "Six inverters with hysteresis.",
		Package: dut.Package{Family: dut.DualRow, Pins: 14}, Model: "hex-inverter",
		Power: []dut.PowerStep{{Pin: 14, Level: 5, Limit: 10e-3, Ramp: 1e-3, Delay: 5e-3}}}
	names := []string{"1A", "1Y", "2A", "2Y", "3A", "3Y", "GND", "4Y", "4A", "5Y", "5A", "6Y", "6A", "VCC"}
	for i, n := range names {
		p := dut.Pin{Number: i + 1, Name: n, Function: dut.Input, Clamp: 14, MinV: -0.5, MaxV: 7, AboveClamp: 0.5, MaxI: 20e-3, Logic: "5 V CMOS"}
		switch {
		case n == "GND":
			p = dut.Pin{Number: i + 1, Name: n, Function: dut.Ground, MaxI: 50e-3}
		case n == "VCC":
			p = dut.Pin{Number: i + 1, Name: n, Function: dut.Supply, MinV: -0.5, MaxV: 7, MaxI: 50e-3}
		case n[1] == 'Y':
			p.Function = dut.Output
		}
		d.Pins = append(d.Pins, p)
	}
	return d
}

// part48 is an invented 48-pin part of the given family.
func part48(f dut.Family) dut.Device {
	d := dut.Device{Key: "io-48", Name: "IO-48 port expander", Package: dut.Package{Family: f, Pins: 48, ThermalPad: f == dut.Quad, Columns: 8}}
	kinds := dut.Functions()
	for i := range 48 {
		d.Pins = append(d.Pins, dut.Pin{Number: i + 1, Name: "IO" + string(rune('A'+i/8)) + string(rune('0'+i%8)), Function: kinds[i%len(kinds)], MinV: -0.5, MaxV: 4, MaxI: 25e-3})
	}
	return d
}

func sampleMarks(d *dut.Device) []PinMark {
	pins := Marks(d)
	for i := range pins {
		switch {
		case pins[i].Function == dut.Ground:
			pins[i].Use, pins[i].V, pins[i].I = procedure.UseReturn, 0, -1.234e-3
		case pins[i].Function == dut.Supply:
			pins[i].Use, pins[i].Channel, pins[i].V, pins[i].I = procedure.UseVoltage, "channel 1", 5.00012, 1.23456e-3
		case i%3 == 0:
			pins[i].Use, pins[i].Channel, pins[i].V, pins[i].I = procedure.UseCurrent, "channel 2", -0.654321, -100.02e-6
		case i%5 == 0:
			pins[i].Use, pins[i].Channel, pins[i].V, pins[i].I, pins[i].Flags = procedure.UseVoltage, "channel 3", 3.3, 19.9e-9, bench.InCompliance
		}
		if i%2 == 0 {
			pins[i].Outcome, pins[i].Judged = Outcomes()[i/2%5], true
		}
	}
	return pins
}

func sampleProcedure() procedure.Procedure {
	all := []int{1, 2, 3, 4, 5, 6, 8, 9, 10, 11, 12, 13}
	inputs := []int{1, 3, 5, 9, 11, 13}
	base := procedure.Measurement{Settle: procedure.Settle{Time: 2e-3}, Aperture: procedure.Aperture{Cycles: 1}}
	with := func(id, name, kind string, change func(*procedure.Measurement)) procedure.Measurement {
		m := base
		m.ID, m.Name, m.Kind = id, name, kind
		change(&m)
		return m
	}
	return procedure.Procedure{Key: "hx-14-incoming", Name: "Incoming inspection", Device: "hx-14", Guard: 1, Notes: "Every unit of a lot.",
		Measurements: []procedure.Measurement{
			with("contact", "Contact", "contact", func(m *procedure.Measurement) {
				m.Pins, m.Use, m.Level, m.Compliance = all, procedure.UseCurrent, -100e-6, 2
			}),
			with("leak", "Input leakage", "leakage", func(m *procedure.Measurement) {
				m.Pins, m.Use, m.Powered, m.Rest = inputs, procedure.UseVoltage, true, procedure.UseReturn
				m.Settle = procedure.Settle{Time: 10e-3, UntilStable: true, Tolerance: 1e-3, Within: 0.2}
			}),
			with("supply", "Supply current", "supply", func(m *procedure.Measurement) { m.Pins, m.Powered = []int{14}, true }),
			with("threshold", "Input threshold", "threshold", func(m *procedure.Measurement) {
				m.Pins, m.Observe, m.Use, m.Powered = []int{1}, 2, procedure.UseVoltage, true
				m.Sweep = &procedure.Sweep{Spacing: procedure.Linear, From: 0, To: 5, Points: 101, Back: true}
				m.Compliance = 1e-3
			}),
			with("iv", "Protection diode", "sweep", func(m *procedure.Measurement) {
				m.Pins, m.Use, m.Compliance = []int{3}, procedure.UseVoltage, 5e-3
				m.Sweep = &procedure.Sweep{Spacing: procedure.Linear, From: -1, To: 0.2, Points: 61}
			}),
			with("watch", "Output over time", "watch", func(m *procedure.Measurement) {
				m.Pins, m.Duration, m.Interval = []int{2}, 30, 0.1
				m.Hold = []procedure.Hold{{Pin: 1, Use: procedure.UseVoltage, Level: 2.5, Compliance: 1e-3, Kelvin: true}}
			}),
		}}
}

func sampleResults() []procedure.Result {
	r := []procedure.Result{
		{Measurement: 0, Key: "lower", Name: "Lower diode", Pin: 1, Value: -0.65432, U: 0.0012, Unit: quantity.Volt, Low: fp(-0.9), High: fp(-0.2), Outcome: derive.Pass},
		{Measurement: 0, Key: "lower", Name: "Lower diode", Pin: 2, Value: -0.9004, U: 0.0012, Unit: quantity.Volt, Low: fp(-0.9), High: fp(-0.2), Outcome: derive.ConditionalFail},
		{Measurement: 0, Key: "lower", Name: "Lower diode", Pin: 3, Value: -2, U: 0.0012, Unit: quantity.Volt, Low: fp(-0.9), High: fp(-0.2), Outcome: derive.Invalid, Flags: bench.InCompliance, Note: "No current flows: the bond or the contact of pin 3 is open."},
		{Measurement: 1, Key: "high", Name: "Leakage high", Pin: 1, Condition: "VCC 5 V", Value: 12.3e-9, U: 2.1e-9, Unit: quantity.Ampere, High: fp(1e-6), Outcome: derive.Pass},
		{Measurement: 1, Key: "high", Name: "Leakage high", Pin: 3, Condition: "VCC 5 V", Value: 1.234e-6, U: 4e-9, Unit: quantity.Ampere, High: fp(1e-6), Outcome: derive.Fail},
		{Measurement: 2, Key: "icc", Name: "Supply current", Pin: 14, Value: 999e-6, U: 3e-6, Unit: quantity.Ampere, High: fp(1e-3), Outcome: derive.ConditionalPass},
		{Measurement: 3, Key: "up", Name: "Threshold", Pin: 1, Group: "up", Value: 2.7012, U: 0.05, Unit: quantity.Volt, Outcome: derive.NoLimits},
	}
	return r
}

// diodePlot is two curves of a diode, one with readings at compliance.
func diodePlot() Plot {
	p := Plot{ID: "plot-iv", Title: "Current against voltage, pin 3 2A", X: Axis{Label: "Voltage", Unit: quantity.Volt}, Y: Axis{Label: "Current", Unit: quantity.Ampere}}
	for k, label := range []string{"25 °C", "85 °C"} {
		s := Series{Label: label, Line: true}
		for i := range 61 {
			v := -1 + 0.02*float64(i)
			c := -1e-12 * float64(1+40*k) * (math.Exp(-v/0.0387) - 1)
			s.X, s.Y, s.Hollow = append(s.X, v), append(s.Y, max(c, -5e-3)), append(s.Hollow, c < -5e-3)
		}
		p.Series = append(p.Series, s)
	}
	return p
}

// watchPlot is a drifting voltage of a few microvolts on 2.5 V.
func watchPlot() Plot {
	p := Plot{ID: "plot-watch", Title: "Voltage over time, pin 2 1Y", X: Axis{Label: "Time", Unit: quantity.Second}, Y: Axis{Label: "Voltage", Unit: quantity.Volt}}
	s := Series{Label: "2 1Y"}
	for i := range 300 {
		t := float64(i) * 0.1
		s.X = append(s.X, t)
		s.Y = append(s.Y, 2.500123+3e-6*math.Sin(t/4)+1e-6*math.Sin(41*t))
	}
	p.Series, p.Band = []Series{s}, procedure.Limit{High: fp(2.500129)}
	return p
}

// logPlot is a collector current over six decades.
func logPlot() Plot {
	p := Plot{ID: "plot-log", Title: "Collector current", X: Axis{Label: "Base–emitter voltage", Unit: quantity.Volt}, Y: Axis{Label: "Current", Unit: quantity.Ampere, Log: true}}
	for k := range 7 {
		s := Series{Label: quantity.Format(float64(k+1), quantity.Volt, 1), Line: true}
		for i := range 40 {
			v := 0.3 + 0.01*float64(i)
			s.X, s.Y = append(s.X, v), append(s.Y, 1e-15*float64(k+1)*math.Exp(v/0.02585))
		}
		p.Series = append(p.Series, s)
	}
	return p
}

func samplePage(section, title string) Page {
	return Page{Title: title, Section: section, User: "R. Okonjo", Role: "owner", Rehearsal: true,
		Bench: BenchBrief{Name: "Rehearsal bench", State: bench.Energised, Seated: "HX-14 hex inverter, seed 7", Run: "0195a1b2-0000-7000-8000-00000000beef"}}
}

func sampleBench() bench.Definition {
	d := bench.Definition{Key: "rehearsal", Name: "Rehearsal bench", Contacts: 48, LineHz: 50, SwitchTime: 2e-3}
	for i := range 4 {
		d.Channels = append(d.Channels, bench.Channel{ID: bench.ChannelID(i + 1), Name: "channel " + string(rune('1'+i)), Card: 1 + i/2, RemoteSense: true, SourceR: 0.5,
			ForceV: []bench.Range{{FullScale: 2}, {FullScale: 20, Gain: 2e-4, Offset: 1e-3}}, ForceI: []bench.Range{{FullScale: 1e-6}, {FullScale: 0.1}},
			SenseV: []bench.Range{{FullScale: 20}}, SenseI: []bench.Range{{FullScale: 1e-6}, {FullScale: 0.1}}})
	}
	for c := 1; c <= 12; c++ {
		d.Paths = append(d.Paths, bench.Path{ID: bench.PathID(c), Channel: bench.ChannelID(1 + c%4), Contact: c, Mux: "A", Address: "A" + string(rune('a'+c)), Resistance: 4.2, Leakage: 1e-12, Kelvin: c%2 == 0})
	}
	return d
}

func sampleRun() RunProps {
	d := hexInverter()
	p := RunProps{Page: samplePage("/runs", "Run"), Base: "/runs/0195a1b2-0000-7000-8000-00000000beef", CanEdit: true, CanDelete: true,
		Record: procedure.Record{ID: "0195a1b2-0000-7000-8000-00000000beef", Device: d, DeviceRev: 2, Procedure: sampleProcedure(), ProcRev: 3,
			Unit: dut.Unit{Serial: "A-017", Lot: "L-24"}, Operator: "R. Okonjo", Bench: sampleBench(), Identity: bench.Identity{Name: "Rehearsal", Serial: "0001", Version: "1", Rehearsal: true},
			Status: procedure.Running, Started: sampleTime, Readings: 18432, Rehearsal: true},
		Progress: Progress{Measurement: 3, Point: 57, Points: 202, Done: []bool{true, true, true, false, false, false}, Elapsed: 14200 * time.Millisecond, Left: 49 * time.Second, Readings: 18432},
		Results:  ByMeasurement(len(sampleProcedure().Measurements), sampleResults()), Selected: 3, Follow: true, Plots: []Plot{diodePlot()},
		NoteForm: Form{ID: "note"}, ShareForm: Form{ID: "share"}}
	p.Page.Live, p.Page.Seq = p.Base+"/live", 41
	p.Pins = sampleMarks(&d)
	for i := range 6 {
		p.Latest = append(p.Latest, bench.Reading{T: int64(14e9) - int64(i)*25e6, Set: 2.5, V: 2.50013, I: 12e-9, Pin: 1, Channel: 2, Flags: bench.Flags(i % 2)})
	}
	return p
}

// doneRun is the same page for ever after.
func doneRun() RunProps {
	p := sampleRun()
	p.Page.Bench.State, p.Page.Bench.Run, p.Page.Live = bench.Safe, "", ""
	p.Record.Status, p.Record.Outcome, p.Record.Ended = procedure.Done, derive.Fail, sampleTime.Add(63*time.Second)
	p.Record.Note = "Pin 3 does not make contact; seen on two seatings.\nTry another socket."
	p.Progress.Done = []bool{true, true, true, true, true, true}
	p.Follow, p.Selected, p.Plots = false, 5, []Plot{watchPlot(), logPlot()}
	p.Shares = []Share{{ID: "1", Href: "http://127.0.0.1:8080/s/abcdefghijklmnopqrstuv", Created: sampleTime}}
	p.ShareForm = Form{ID: "share", Values: url.Values{"days": {"soon"}}, Errors: map[string]string{"days": "write a whole number of days, such as 30"}}
	return p
}

func sampleRows() []RunRow {
	var rows []RunRow
	for i, o := range []derive.Outcome{derive.NoLimits, derive.Pass, derive.Pass, derive.ConditionalPass, derive.Fail, derive.Invalid} {
		r := RunRow{ID: "0195a1b2-0000-7000-8000-00000000bee" + string(rune('0'+i)), Device: "HX-14 hex inverter", Procedure: "Incoming inspection", Unit: "A-01" + string(rune('0'+i)), Lot: "L-24",
			Outcome: o, Status: procedure.Done, Started: sampleTime.Add(-time.Duration(i) * time.Hour), Took: 63 * time.Second, Rehearsal: i < 4}
		switch i {
		case 0:
			r.Status = procedure.Running
		case 4:
			r.Status, r.Note = procedure.Stopped, "Pin 3 does not make contact; seen on two seatings."
		}
		rows = append(rows, r)
	}
	return rows
}

func sampleHome() HomeProps {
	rows := sampleRows()
	return HomeProps{Page: samplePage("/", "Today"), Newcomer: true, Running: &rows[0], Of: 6, Progress: Progress{Done: []bool{true, true, true}, Left: 49 * time.Second},
		Demo: &DemoProgress{Lot: "L-24", Done: 9, Total: 24, Href: "/compare?lot=L-24"}, Last: rows,
		Lots:       []LotRow{{Lot: "L-24", Device: "HX-14 hex inverter", Href: "/compare?lot=L-24", Units: 24, Passed: 19}},
		Start:      Form{ID: "start", Values: url.Values{"procedure": {"hx-14-incoming"}, "seat": {"1"}}, Errors: map[string]string{"serial": "Give the unit a serial number, such as A-018."}},
		Procedures: []Option{{"hx-14-incoming", "Incoming inspection", "HX-14 hex inverter"}, {"op-8-offset", "Offset and supply", "OP-8 dual amplifier"}}, OfferSeat: true, CanStart: true}
}

package routes

import (
	"bytes"
	"net/url"
	"testing"

	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/server/rehearsal"
	"ohmkeep/web"
)

// Whatever a form holds, it is read without harm, shown again, and what passes
// as a device is one.
func FuzzDeviceForm(f *testing.F) {
	for _, d := range demo.Scenario().Devices {
		f.Add(form.DeviceValues(&d).Encode(), "shift")
	}
	f.Add("number=1&number=2&pinName=A&function=&pins=48&family=grid&columns=-7", "package")
	f.Add("number=-9999&number=9999&clamp=x&pinName=x&pins=9999&by=3", "reverse")
	f.Add("stepPin=1&level=5V&number=&number=", "up:1")
	f.Add("paste=1%3BA%3Binput&family=quad&pins=2", "understand")
	f.Fuzz(func(t *testing.T, query, do string) {
		v, err := url.ParseQuery(query)
		if err != nil {
			t.Skip()
		}
		e := editing{values: v}
		e.look()
		if do == "understand" {
			e.understand()
		} else {
			e.act(do)
		}
		p := web.DeviceEditProps{Form: e.form(), Drawing: preview(&e.device), Findings: e.findings(), Table: e.table, Assumptions: e.assumed(), Families: dut.LogicFamilies()}
		if err := web.DeviceEdit(p).Render(t.Context(), &bytes.Buffer{}); err != nil {
			t.Fatal(err)
		}
		d, ps := form.CheckDevice(v)
		if len(ps) > 0 {
			return
		}
		if err := d.Validate(); err != nil {
			t.Fatalf("passed, and is none: %v", err)
		}
		again, ps := form.CheckDevice(form.DeviceValues(&d))
		if len(ps) > 0 || len(deviceChanges(&d, &again)) > 0 {
			t.Fatalf("read back differently: %v, %v", ps, deviceChanges(&d, &again))
		}
	})
}

func FuzzPinMapForm(f *testing.F) {
	def := rehearsal.DefaultBench()
	d := loadDevice()
	f.Add("pin=1&contact=1&pin=2&contact=48&pin=3&contact=0&pin=4&contact=x")
	f.Add("pin=1&contact=1&strapAt=1&strapKind=resistor&strapTo=9&strapOhms=4k7&strapAt=&strapKind=channel&strapTo=1a")
	f.Fuzz(func(t *testing.T, query string) {
		v, err := url.ParseQuery(query)
		if err != nil {
			t.Skip()
		}
		m := mapping{device: d, values: v}
		m.read(&def)
		p := web.PinMapProps{Device: d, Bench: &def, Form: m.form(), Socket: socketOf(&def, &d, &m.pm, m.problems), Findings: mapFindings(&def, &m), CanEdit: true}
		for _, pin := range d.Pins {
			p.Pins = append(p.Pins, web.MappedPin{Pin: pin})
		}
		if err := web.PinMap(p).Render(t.Context(), &bytes.Buffer{}); err != nil {
			t.Fatal(err)
		}
		if len(m.problems) > 0 {
			return
		}
		again := mapping{device: d}
		again.fill(&def, &m.pm)
		if len(again.problems) > 0 {
			t.Fatalf("what was read is not read back: %v", again.problems)
		}
	})
}

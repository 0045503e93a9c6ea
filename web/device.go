package web

import (
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// DeviceRow is a device in a list.
type DeviceRow struct {
	Key, Name, Description string
	Package                dut.Package
	Procedures, Runs       int
	Rehearsable            bool // there is a rehearsal model of it
}

// Paging is the links to the other pages of a long list.
type Paging struct {
	First string // address of the first page; "" on it
	Next  string // address of the page after; "" on the last
}

// DevicesProps is the list of devices.
type DevicesProps struct {
	Page    Page
	Paging  Paging
	Devices []DeviceRow
	CanEdit bool
}

// ProcedureRow is a procedure in a list.
type ProcedureRow struct {
	Key, Name    string
	Measurements int
}

// DeviceProps is one device: read-only.
type DeviceProps struct {
	Page       Page
	Device     dut.Device
	Rev        int
	PinMap     *bench.PinMap // on the bench in use; nil where there is none
	BenchName  string
	Bench      *bench.Definition // for the channels that straps name; may be nil
	Procedures []ProcedureRow
	Last       []RunRow
	CanEdit    bool
	Removed    bool // it was deleted; old addresses still lead here
	// Shared is the page of a share link: it leads nowhere else.
	Shared bool
	Share  *ShareForm // makes a link to this page; nil for who may not
}

// ProcedureProps is one procedure: read-only.
type ProcedureProps struct {
	Page      Page
	Procedure procedure.Procedure
	Rev       int
	Device    dut.Device
	// Report is what the check before power has to say of it on this bench.
	Report   procedure.CheckReport
	CanStart bool
	// Start has the fields of HomeProps.Start; the procedure is fixed.
	Start     Form
	OfferSeat bool
}

func packageWords(p dut.Package) string {
	s := count(p.Pins, "pin", "pins") + ", " + string(p.Family)
	if p.ThermalPad {
		s += ", thermal pad"
	}
	return s
}

func (p DeviceProps) drawing() Drawing {
	return Drawing{ID: "device-package", Title: "Package of " + p.Device.Name + " seen from above", Package: p.Device.Package, Pins: Marks(&p.Device)}
}

// contactOf returns the contact that a pin sits on, or 0.
func (p DeviceProps) contactOf(pin int) int {
	if p.PinMap == nil {
		return 0
	}
	return p.PinMap.Contacts[pin]
}

// ratingWords returns a pin's voltage range and further ratings, in words.
func ratingWords(p dut.Pin) string {
	if p.Function == dut.Ground || p.MinV == 0 && p.MaxV == 0 {
		return "—"
	}
	return strings.Join(append([]string{short(p.MinV, quantity.Volt) + " to " + short(p.MaxV, quantity.Volt)}, dut.FurtherOf(p)...), ", ")
}

// clampWords returns in words how far above its supply a pin may rise.
func clampWords(p dut.Pin, d *dut.Device) string {
	if p.Clamp == 0 {
		return "—"
	}
	s := pinLabel(p.Clamp, d)
	if p.AboveClamp != 0 {
		s += " + " + short(p.AboveClamp, quantity.Volt)
	}
	return s
}

func currentWords(p dut.Pin) string {
	if p.MaxI == 0 {
		return "—"
	}
	return "± " + short(p.MaxI, quantity.Ampere)
}

func powerWords(s dut.PowerStep, d *dut.Device) string {
	w := "pin " + pinLabel(s.Pin, d) + " to " + short(s.Level, quantity.Volt) + ", compliance " + short(s.Limit, quantity.Ampere)
	if s.Ramp > 0 {
		w += ", over " + short(s.Ramp, quantity.Second)
	}
	if s.Delay > 0 {
		w += ", then wait " + short(s.Delay, quantity.Second)
	}
	return w
}

func strapWords(s bench.Strap, def *bench.Definition) string {
	at := "contact " + quantity.Plain(float64(s.Contact))
	switch s.Kind {
	case bench.StrapReturn:
		return at + " tied to the return"
	case bench.StrapChannel:
		if def != nil {
			return at + " tied to " + def.LineName(s.Channel)
		}
		return at + " tied to channel " + quantity.Plain(float64(s.Channel))
	}
	to := "the return"
	if s.To != 0 {
		to = "contact " + quantity.Plain(float64(s.To))
	}
	return at + " to " + to + " through " + short(s.Resistance, quantity.Ohm)
}

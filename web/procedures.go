package web

import (
	"time"

	"ohmkeep/server/dut"
)

// ProcedureListRow is a procedure in the list of all.
type ProcedureListRow struct {
	Key, Name    string
	Measurements int
	Rev          int
	At           time.Time
	By           string
}

// ProcedureGroup is the procedures of one device.
type ProcedureGroup struct {
	Key, Name string // of the device
	Rows      []ProcedureListRow
}

// ProceduresProps is the list of procedures.
type ProceduresProps struct {
	Page    Page
	Paging  Paging // through the devices
	Groups  []ProcedureGroup
	Devices []Option
	New     Form // device and name
	CanEdit bool
}

// ImportProps is the import of a document, with what it would change.
type ImportProps struct {
	Page     Page
	Device   string // key of the device that the page was opened from
	Form     Form   // document, rev
	Problems dut.Problems
	// Ready says that it was understood and can be saved.
	Ready                 bool
	Name, Key, DeviceName string
	Measurements          int
	Rev                   int  // that it is saved on top of; 0 for a new procedure
	Same                  bool // it is what is stored already
	Other                 bool // it is for another device than Device
	Stale                 bool // somebody else has saved since it was compared
	Changes               []dut.Change
}

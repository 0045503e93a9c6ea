// Package lot says which results of different runs are the same result, in
// which order they stand side by side, and what their statistics over a lot
// are. It is pure: whoever compares runs, on a page or in a file, asks here,
// so that no two of them can group differently.
package lot

import (
	"strconv"

	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// Identity is the key by which results of different runs are the same result. Another
// procedure's results are others; a measurement is known by its id, since its
// place changes when the procedure is edited; values in another unit cannot be
// compared.
type Identity struct {
	Procedure   string // key
	Measurement string // id
	Key         string // of the kind's output
	Pin         int    // 0: of no pin
	Curve       string // curve or direction
	Condition   string // "VCC 4.5 V"
	Unit        quantity.Unit
}

// Measurement is the key of a measurement of a procedure.
type Measurement struct{ ID, Name string }

// Source is a procedure as runs carried it out: all runs with the same Source
// number their measurements alike.
type Source struct {
	Procedure    string // key
	Revision     int64  // any number that grows from one edit to the next
	Measurements []Measurement
}

// SourceOf returns the source of a procedure's runs.
func SourceOf(p *procedure.Procedure, revision int64) *Source {
	s := &Source{Procedure: p.Key, Revision: revision}
	for i := range p.Measurements {
		s.Measurements = append(s.Measurements, Measurement{p.Measurements[i].ID, p.Measurements[i].Name})
	}
	return s
}

// Identity is the identity of a result of one of the runs.
func (s *Source) Identity(r *procedure.Result) Identity {
	return Identity{s.Procedure, s.id(r.Measurement), r.Key, r.Pin, r.Group, r.Condition, r.Unit}
}

// id returns the id of a measurement; one without is known by its place.
func (s *Source) id(place int) string {
	if place >= 0 && place < len(s.Measurements) && s.Measurements[place].ID != "" {
		return s.Measurements[place].ID
	}
	return "#" + strconv.Itoa(place)
}

// name returns the name of a measurement; "" where the procedure has none at
// this place.
func (s *Source) name(place int) string {
	if place < 0 || place >= len(s.Measurements) {
		return ""
	}
	return s.Measurements[place].Name
}

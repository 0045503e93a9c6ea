package procedure

import (
	"fmt"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/dut"
)

// Drive is a channel as a segment uses it.
type Drive struct {
	Channel *bench.Channel
	Pin     int // the pin whose holds it follows
	Path    bench.PathID
	Power   *dut.PowerStep // how its supply comes up; nil: at once
	Mode    bench.Mode
	Remote  bool
	Series  budget.Value // Ω that the sense point sees between itself and the pin
	Leaks   []Leak       // beside it
	free    *budget.Source
	// unlike and apart are what a witness leaves unknown: see around.unlike, S, and
	// what its switches are off by one by one.
	unlike float64
	apart  *budget.Source
	Zero   bool // stands in for the return
	// Witness says that it is on no path and stands at the level of its pin's drive.
	Witness    bool
	Compliance float64 // of a zero drive, A
	rank       int
	full       float64 // forced range, V; 0: smallest for each level (currents)
	sense      float64 // range of what is not forced
	senses     []*Sense
}

// pickRanges fixes the ranges for a whole segment. A voltage keeps the range
// of its largest level, since changing it goes through zero and would undo the
// direction of a sweep; a current takes the smallest range for each level,
// since it may run over many decades.
func (d *Drive) pickRanges(level, compliance float64) error {
	forced, sensed := d.Channel.ForceV, d.Channel.SenseI
	if d.Mode == bench.ForceCurrent {
		forced, sensed = d.Channel.ForceI, d.Channel.SenseV
	}
	f, ok := bench.RangeFor(forced, level)
	s, ok2 := bench.RangeFor(sensed, compliance)
	if !ok || !ok2 {
		return fmt.Errorf("pin %d: channel %s has no range for it", d.Pin, d.Channel.Name)
	}
	if d.Mode == bench.ForceVoltage {
		d.full = f.FullScale
	}
	d.sense = s.FullScale
	return nil
}

// Setup is what the channel is set to for a level, where was is its present one.
func (d *Drive) Setup(level, compliance float64, was bench.Setup) bench.Setup {
	s := bench.Setup{Mode: d.Mode, Level: level, Range: d.full, Compliance: compliance, SenseRange: d.sense, Remote: d.Remote}
	if s.Range == 0 {
		r, _ := bench.RangeFor(d.Channel.ForceI, level)
		s.Range = r.FullScale
		if level == 0 && was.Mode == d.Mode && was.Range != 0 {
			s.Range = was.Range // zero is zero on every range
		}
	}
	return s
}

// alike reports whether two drives are the same channel used the same way.
func (d *Drive) alike(o *Drive) bool {
	return d.Channel.ID == o.Channel.ID && d.Path == o.Path && d.Mode == o.Mode && d.Remote == o.Remote &&
		d.full == o.full && d.sense == o.sense && d.rank == o.rank
}

// Package liverun holds what is shown of a run: its state while it is at work,
// gathered from what has been committed, and the picture of each measurement,
// which is the same while the run is at work and for ever after. It knows
// neither how that is drawn nor how a page asks for it.
package liverun

import (
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

const (
	// Columns is the number of columns that a screen can show across a plot.
	Columns = 800
	// maxCurves is the largest number of curves that are drawn; a family beyond
	// that cannot be told apart.
	maxCurves = 64
)

// Picture is the curves of one measurement's plot, gathered from its readings
// in bounded memory. It depends on the readings and their order alone, never
// on how they were handed over; so whoever gathers the same readings, as they
// come or from the disk, draws the same. Every point it keeps is a real
// reading.
type Picture struct {
	shape    procedure.Shape
	taking   taking
	readings int64 // taken so far
	curves   []*curve
	at       map[curveKey]int // place in curves
	last     *curve           // of the reading before
	lastKey  curveKey
}

// curveKey identifies a curve: by group and, where the axes are those of
// whichever pin is read, by pin.
type curveKey struct {
	group uint16
	pin   uint8
}

// Series is one curve of a plot. X and Y are in SI base units; Hollow marks
// readings at compliance. All are of the same length.
type Series struct {
	Label  string
	X, Y   []float64
	Hollow []bool
	Line   bool // joined
}

// NewPicture begins the picture of a measurement that is drawn in that shape.
func NewPicture(shape procedure.Shape) *Picture {
	return &Picture{shape: shape, taking: takingOf(&shape), at: map[curveKey]int{}}
}

// Readings returns the number of readings that the picture is made of.
func (p *Picture) Readings() int64 { return p.readings }

// Shape returns what the axes show.
func (p *Picture) Shape() procedure.Shape { return p.shape }

// curveOf returns the curve of a pin and group, or nil where there are more
// than can be drawn.
func (p *Picture) curveOf(pin uint8, group uint16) *curve {
	key := curveKey{group & p.taking.groups, pin & p.taking.pins}
	if p.last != nil && key == p.lastKey {
		return p.last
	}
	i, known := p.at[key]
	if !known {
		if len(p.curves) >= maxCurves {
			return nil
		}
		i = len(p.curves)
		p.at[key] = i
		p.curves = append(p.curves, &curve{key: key})
	}
	p.last, p.lastKey = p.curves[i], key
	return p.last
}

// Add takes readings in the order they were made.
func (p *Picture) Add(readings []bench.Reading) {
	for len(readings) > 0 {
		n := alike(readings)
		p.addAlike(readings[:n])
		readings = readings[n:]
	}
}

// addAlike takes readings of one pin and group: of one curve, and in one role.
// Those for a correction are counted and not drawn: they are none of what is
// measured.
func (p *Picture) addAlike(readings []bench.Reading) {
	p.readings += int64(len(readings))
	if readings[0].Flags.Has(bench.Auxiliary) {
		return
	}
	pin := readings[0].Pin
	k := p.curveOf(pin, readings[0].Group)
	if k == nil {
		return
	}
	switch t := &p.taking; t.roles[pin] {
	case roleWhole:
		k.addWhole(readings, t, &p.shape)
	case roleX:
		k.addHalves(readings, t.x, true, &p.shape)
	case roleY:
		k.addHalves(readings, t.y, false, &p.shape)
	}
}

// Clone returns a picture that further readings of this one do not change.
func (p *Picture) Clone() *Picture {
	c := &Picture{shape: p.shape, taking: p.taking, readings: p.readings, at: make(map[curveKey]int, len(p.at)), curves: make([]*curve, len(p.curves))}
	for i, k := range p.curves {
		c.at[k.key] = i
		c.curves[i] = k.clone()
	}
	return c
}

// Series returns the curves of the plot, thinned to what a screen can tell apart.
func (p *Picture) Series(d *dut.Device) []Series {
	var out []Series
	for _, k := range p.curves {
		points := k.drawn(&p.shape)
		s := Series{
			Label: p.label(k.key, d), Line: p.shape.Line || p.shape.X.Quantity == procedure.QuantityTime,
			X: make([]float64, len(points)), Y: make([]float64, len(points)), Hollow: make([]bool, len(points)),
		}
		for i, at := range points {
			s.X[i], s.Y[i], s.Hollow[i] = at.x, at.y, at.hollow
		}
		out = append(out, s)
	}
	return out
}

// label names a curve by its pin and group; a curve that is alone needs no name.
func (p *Picture) label(key curveKey, d *dut.Device) string {
	var parts []string
	if len(p.curves) > 1 && key.pin != 0 {
		if pin, ok := d.Pin(int(key.pin)); ok {
			parts = append(parts, pin.Label())
		}
	}
	groups := p.shape.Groups
	if !p.shape.Merge && int(key.group) < len(groups) && groups[key.group] != "" && (len(p.curves) > 1 || len(groups) > 1) {
		parts = append(parts, groups[key.group])
	}
	return strings.Join(parts, ", ")
}

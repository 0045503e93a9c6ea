package liverun

import (
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

const (
	// curveRoom is how many points of a curve are kept before they are thinned.
	curveRoom = 2 * mostPoints
	// mostPoints is how many points a thinned curve has at most.
	mostPoints = 6144
	// drawnRaw is how many points are drawn as they are.
	drawnRaw = 4 * Columns
	// maxHalves is how many halves of one point may wait for the others: far
	// more than a point has repeats, and a bound.
	maxHalves = 1 << 16
)

// point is one point of a curve: one reading, or two readings that belong
// together.
type point struct {
	x, y   float64
	hollow bool
}

// half is one coordinate of a point that takes the readings of two pins.
type half struct {
	value  float64
	hollow bool
}

// curve is one line of a picture.
type curve struct {
	key    curveKey
	points []point
	// Where the axes belong to two pins, the nth readings of both at one point
	// of the measurement belong together; these wait for the other pin's.
	at     uint32 // the measurement's point
	xs, ys []half
}

func (k *curve) clone() *curve {
	c := *k
	c.points, c.xs, c.ys = slices.Clone(k.points), slices.Clone(k.xs), slices.Clone(k.ys)
	return &c
}

func (k *curve) add(p point, s *procedure.Shape) {
	if len(k.points) == curveRoom {
		k.points = thin(k.points, s)
	}
	k.points = append(k.points, p)
}

// addWhole adds readings of which each is a point.
func (k *curve) addWhole(readings []bench.Reading, t *taking, s *procedure.Shape) {
	for len(readings) > 0 {
		if len(k.points) == curveRoom {
			k.points = thin(k.points, s)
		}
		n := min(len(readings), curveRoom-len(k.points))
		for i := range readings[:n] {
			r := &readings[i]
			k.points = append(k.points, point{valueOf(r, t.x), valueOf(r, t.y), hollowOf(r)})
		}
		readings = readings[n:]
	}
}

// addHalves adds readings of which each is half a point.
func (k *curve) addHalves(readings []bench.Reading, q quantityCode, isX bool, s *procedure.Shape) {
	for i := range readings {
		r := &readings[i]
		k.pair(r.Point, isX, half{valueOf(r, q), hollowOf(r)}, s)
	}
}

// hollowOf reports whether a reading was taken at compliance.
func hollowOf(r *bench.Reading) bool { return r.Flags&bench.InCompliance != 0 }

// pair adds half a point, and the whole point once the other half has come.
func (k *curve) pair(at uint32, isX bool, h half, s *procedure.Shape) {
	if k.at != at {
		k.at, k.xs, k.ys = at, k.xs[:0], k.ys[:0]
	}
	mine, others := &k.ys, &k.xs
	if isX {
		mine, others = &k.xs, &k.ys
	}
	if len(*others) == 0 {
		if len(*mine) < maxHalves {
			*mine = append(*mine, h)
		}
		return
	}
	other := (*others)[0]
	*others = slices.Delete(*others, 0, 1)
	x, y := other, h
	if isX {
		x, y = h, other
	}
	k.add(point{x.value, y.value, x.hollow || y.hollow}, s)
}

// drawn returns the points that a plot shows of the curve. The curve stays as
// it is.
func (k *curve) drawn(s *procedure.Shape) []point {
	if len(k.points) <= drawnRaw {
		return k.points
	}
	return thin(slices.Clone(k.points), s)
}

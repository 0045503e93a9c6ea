package procedure

import (
	"fmt"
	"math"
	"slices"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

// Segment is a stretch of consecutive points with the same connections.
type Segment struct {
	Points  int
	Conns   []*Conn
	Drives  []*Drive       // in power order
	Returns []bench.PathID // paths to the return, ascending
	Assign  *bench.Assignment
	Nominal time.Duration // of all its points, without switching

	settle   Settle        // the shortest of its points, of those with a level moved only where there are no others
	measures bool          // whether it has others
	witness  int           // pin whose level an idle channel shall stand at (Point.Witness), 0: none
	errors   *bench.Errors // of the bench that it was planned for
	returns  []returned    // pins at 0 V
	// beyond is what leaks at pins that are left open, by potential (see around), S, and
	// joined whether the part joins them with a measured one.
	beyond []float64
	joined *budget.Source
	// share is how the current back divides between several paths.
	share *budget.Source
	// way is whether it goes through a ground or a supply.
	way *budget.Source
	// which and lags are what whichOf and lag have given, by drive; the derivers'
	// goroutine alone uses them.
	which, lags map[int]*budget.Source
}

// Conn is one connected pin of a segment, with the largest magnitudes that
// any of its points asks for.
type Conn struct {
	Pin               int
	Use               Use
	Kelvin            bool
	Level, Compliance float64
	// Least is the smallest magnitude that chooses a range: zero counts only
	// where it comes first, since later it keeps the range.
	Least float64
	Drive int // index in Segment.Drives, -1: on the return
	Path  bench.PathID
	// like is the index of the first pin that is used alike and held at the same
	// levels and compliances at every point so far; before, that of the points
	// before the one that is added.
	like, before int
	at           Hold // at the point that is added
}

func newSegment(holds []Hold) *Segment {
	seg := &Segment{}
	for _, h := range holds {
		if h.Use != UseOpen {
			c := &Conn{Pin: h.Pin, Use: h.Use, Kelvin: h.Kelvin, Drive: -1}
			seg.Conns = append(seg.Conns, c)
			c.like = slices.IndexFunc(seg.Conns, func(o *Conn) bool { return o.Use == c.Use && o.Kelvin == c.Kelvin })
		}
	}
	return seg
}

// holds reports whether the holds ask for the segment's connections.
func (s *Segment) holds(holds []Hold) bool {
	i := 0
	for _, h := range holds {
		if h.Use == UseOpen {
			continue
		}
		if i == len(s.Conns) {
			return false
		}
		if c := s.Conns[i]; c.Pin != h.Pin || c.Use != h.Use || c.Kelvin != h.Kelvin {
			return false
		}
		i++
	}
	return i == len(s.Conns)
}

// add counts a point in and refuses what must never reach a channel.
func (s *Segment) add(pt *Point, lineHz float64) error {
	i := 0
	for _, h := range pt.Hold {
		if h.Use == UseOpen {
			continue
		}
		c := s.Conns[i]
		i++
		if !h.Use.TakesChannel() {
			continue
		}
		if !finite(h.Level) {
			return fmt.Errorf("pin %d: the level is not a finite number", h.Pin)
		}
		if !(h.Compliance > 0) || !finite(h.Compliance) {
			return fmt.Errorf("pin %d: a channel needs a compliance above zero", h.Pin)
		}
		if level := math.Abs(h.Level); s.Points == 0 {
			c.Least = level
		} else if level > 0 || c.Level == 0 {
			c.Least = min(c.Least, level)
		}
		c.Level = max(c.Level, math.Abs(h.Level))
		c.Compliance = max(c.Compliance, h.Compliance)
		c.at = h
		s.part(i - 1)
	}
	for _, pin := range pt.Read {
		if !slices.ContainsFunc(s.Conns, func(c *Conn) bool { return c.Pin == pin && c.Use.TakesChannel() }) {
			return fmt.Errorf("pin %d is read but held by no channel", pin)
		}
	}
	if pt.Witness && len(pt.Read) == 1 {
		s.witness = pt.Read[0]
	}
	// A point with a level moved hurries: its settle says nothing of the others.
	if other := !pt.Auxiliary; other && !s.measures || other == s.measures && pt.Settle.Time < s.settle.Time || s.Points == 0 {
		s.settle = pt.Settle
	}
	s.measures = s.measures || !pt.Auxiliary
	s.Points++
	s.Nominal += pt.Nominal(lineHz)
	return nil
}

// part compares pin i with the pin that it was alike so far, at the point that is
// added. Where they differ it is alike the first pin that left that one in the
// same way, or nobody.
func (s *Segment) part(i int) {
	c := s.Conns[i]
	c.before = c.like
	same := func(o *Conn) bool { return o.at.Level == c.at.Level && o.at.Compliance == c.at.Compliance }
	if c.like == i || same(s.Conns[c.like]) {
		return
	}
	c.like = i
	for j, o := range s.Conns[:i] {
		if o.Use.TakesChannel() && o.before == c.before && same(o) {
			c.like = j
			return
		}
	}
}

// Nominal is how long a point should take, without switching.
func (pt *Point) Nominal(lineHz float64) time.Duration {
	reading := max(pt.Aperture.ApertureSeconds(lineHz), pt.Interval)
	return durationOf(pt.Settle.Time + reading*float64(max(pt.Count, 1)))
}

func durationOf(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

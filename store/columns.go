package store

import (
	"slices"

	"ohmkeep/server/bench"
)

// Columns are readings in columns, all of the same length.
type Columns struct {
	T         []int64 // nanoseconds since the run's start
	Set, V, I []float64
	Point     []uint32
	Group     []uint16
	Flags     []bench.Flags
	Pin       []uint8
	Channel   []bench.ChannelID
}

// Len is the number of readings.
func (c *Columns) Len() int { return len(c.T) }

// Reset empties the columns and keeps their memory.
func (c *Columns) Reset() { c.truncate(0) }

func (c *Columns) truncate(n int) {
	c.T, c.Set, c.V, c.I = c.T[:n], c.Set[:n], c.V[:n], c.I[:n]
	c.Point, c.Group, c.Flags = c.Point[:n], c.Group[:n], c.Flags[:n]
	c.Pin, c.Channel = c.Pin[:n], c.Channel[:n]
}

// extend makes room for n more readings, whose values are whatever was there.
func (c *Columns) extend(n int) {
	m := c.Len() + n
	c.T = slices.Grow(c.T, n)[:m]
	c.Set = slices.Grow(c.Set, n)[:m]
	c.V = slices.Grow(c.V, n)[:m]
	c.I = slices.Grow(c.I, n)[:m]
	c.Point = slices.Grow(c.Point, n)[:m]
	c.Group = slices.Grow(c.Group, n)[:m]
	c.Flags = slices.Grow(c.Flags, n)[:m]
	c.Pin = slices.Grow(c.Pin, n)[:m]
	c.Channel = slices.Grow(c.Channel, n)[:m]
}

// Append adds readings.
func (c *Columns) Append(rs []bench.Reading) {
	at := c.Len()
	c.extend(len(rs))
	for i := range rs {
		r, j := &rs[i], at+i
		c.T[j], c.Set[j], c.V[j], c.I[j] = r.T, r.Set, r.V, r.I
		c.Point[j], c.Group[j], c.Flags[j] = r.Point, r.Group, r.Flags
		c.Pin[j], c.Channel[j] = r.Pin, r.Channel
	}
}

// At returns reading i.
func (c *Columns) At(i int) bench.Reading {
	return bench.Reading{T: c.T[i], Set: c.Set[i], V: c.V[i], I: c.I[i], Point: c.Point[i],
		Group: c.Group[i], Flags: c.Flags[i], Pin: c.Pin[i], Channel: c.Channel[i]}
}

// slice returns a view of the readings from i up to k.
func (c *Columns) slice(i, k int) Columns {
	return Columns{c.T[i:k], c.Set[i:k], c.V[i:k], c.I[i:k], c.Point[i:k], c.Group[i:k], c.Flags[i:k], c.Pin[i:k], c.Channel[i:k]}
}

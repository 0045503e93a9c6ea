package web

import (
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/quantity"
)

// Converter codes: a signed converter in two's complement whose code is
// value/step.

// Codes is the conversion between a range's converter codes and values.
type Codes struct {
	Range bench.Range
	Unit  quantity.Unit
	Bits  int   // the least that hold both full scales
	Least int64 // the most negative code
	Most  int64
}

// maxBits is the widest converter whose codes a float64 counts exactly, in
// bits.
const maxBits = 53

// CodesOf returns the conversion for a range; ok is false where its step is
// not given or is no part of its full scale.
func CodesOf(r bench.Range, unit quantity.Unit) (c Codes, ok bool) {
	n := r.FullScale / r.Step
	if !(r.Step > 0) || !(n >= 1) || n > math.Exp2(maxBits-1) {
		return c, false
	}
	c = Codes{Range: r, Unit: unit, Bits: 1}
	for math.Exp2(float64(c.Bits-1)) < math.Round(n) {
		c.Bits++
	}
	half := int64(1) << (c.Bits - 1)
	c.Least, c.Most = -half, half-1
	return c, true
}

// Code returns the code nearest to a value, and whether the value lies beyond
// the converter's ends.
func (c Codes) Code(v float64) (code int64, beyond bool) {
	x := math.Round(v / c.Range.Step)
	switch {
	case !(x >= float64(c.Least)):
		return c.Least, true
	case x > float64(c.Most):
		return c.Most, true
	}
	return int64(x), false
}

// Value returns the value of a code, in Unit.
func (c Codes) Value(code int64) float64 { return float64(code) * c.Range.Step }

// Hex returns a code in two's complement, in hexadecimal: four bits a digit.
func (c Codes) Hex(code int64) string {
	mask := uint64(1)<<c.Bits - 1
	return fmt.Sprintf("0x%0*X", (c.Bits+3)/4, uint64(code)&mask)
}

// ParseCode reads a code: a signed decimal number, or hexadecimal digits in
// two's complement after 0x or #H.
func (c Codes) ParseCode(text string) (int64, error) {
	text = strings.TrimSpace(text)
	upper := strings.ToUpper(text)
	for _, mark := range []string{"0X", "#H"} {
		digits, hex := strings.CutPrefix(upper, mark)
		if !hex {
			continue
		}
		n, err := strconv.ParseUint(digits, 16, 64)
		if err != nil || n >= 1<<c.Bits {
			return 0, fmt.Errorf("write at most %d bits in hexadecimal, such as %s", c.Bits, c.Hex(-1))
		}
		if n > uint64(c.Most) {
			return int64(n) - 1<<c.Bits, nil
		}
		return int64(n), nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < c.Least || n > c.Most {
		return 0, fmt.Errorf("write a whole number, %d to %d, or hexadecimal such as %s", c.Least, c.Most, c.Hex(-1))
	}
	return n, nil
}

// CodePoint is one code of a converter with its value.
type CodePoint struct {
	Code   int64
	Beyond bool // the value itself lies beyond the converter's end
}

// codeColumns head the places that the table shows.
var codeColumns = []string{"−full scale", "−half", "−1", "0", "+1", "+half", "+full scale"}

// points returns the codes of the table, in the order of codeColumns.
func (c Codes) points() []CodePoint {
	fs := c.Range.FullScale
	out := make([]CodePoint, 0, len(codeColumns))
	for _, v := range []float64{-fs, -fs / 2, -c.Range.Step, 0, c.Range.Step, fs / 2, fs} {
		code, beyond := c.Code(v)
		out = append(out, CodePoint{code, beyond})
	}
	return out
}

// codeGroup is the ranges that several channels have in common.
type codeGroup struct {
	names string
	rows  []codeRow
}

type codeRow struct {
	key   string // channel, function and range, as the converter form names it
	does  string // "forces voltage"
	rng   bench.Range
	codes Codes
	known bool
}

// functions of a channel, in the order of the table.
var channelFunctions = []struct {
	key, words string
	unit       quantity.Unit
	ranges     func(*bench.Channel) []bench.Range
}{
	{"force-v", "forces voltage", quantity.Volt, func(c *bench.Channel) []bench.Range { return c.ForceV }},
	{"force-i", "forces current", quantity.Ampere, func(c *bench.Channel) []bench.Range { return c.ForceI }},
	{"sense-v", "senses voltage", quantity.Volt, func(c *bench.Channel) []bench.Range { return c.SenseV }},
	{"sense-i", "senses current", quantity.Ampere, func(c *bench.Channel) []bench.Range { return c.SenseI }},
}

// codeGroups lays out the converters of a bench; channels with the same ranges
// share a table.
func codeGroups(d *bench.Definition) []codeGroup {
	var out []codeGroup
	var models []*bench.Channel
next:
	for i := range d.Channels {
		c := &d.Channels[i]
		for k, m := range models {
			if reflect.DeepEqual([][]bench.Range{m.ForceV, m.ForceI, m.SenseV, m.SenseI}, [][]bench.Range{c.ForceV, c.ForceI, c.SenseV, c.SenseI}) {
				out[k].names += ", " + d.ChannelName(c.ID)
				continue next
			}
		}
		models = append(models, c)
		g := codeGroup{names: d.ChannelName(c.ID)}
		for _, f := range channelFunctions {
			for k, r := range f.ranges(c) {
				row := codeRow{key: fmt.Sprintf("%d.%s.%d", c.ID, f.key, k), does: f.words, rng: r}
				row.codes, row.known = CodesOf(r, f.unit)
				row.codes.Unit = f.unit
				g.rows = append(g.rows, row)
			}
		}
		out = append(out, g)
	}
	return out
}

// CodeOptions are the converters to choose from.
func CodeOptions(d *bench.Definition) []Option {
	var out []Option
	for _, g := range codeGroups(d) {
		for _, r := range g.rows {
			if r.known {
				out = append(out, Option{r.key, r.does + ", ±" + short(r.rng.FullScale, r.codes.Unit), "Channel " + g.names})
			}
		}
	}
	return out
}

// CodesByKey finds a converter by its option.
func CodesByKey(d *bench.Definition, key string) (Codes, bool) {
	for _, g := range codeGroups(d) {
		for _, r := range g.rows {
			if r.key == key && r.known {
				return r.codes, true
			}
		}
	}
	return Codes{}, false
}

// CodeAnswer is the converter's answer: a code and its value.
type CodeAnswer struct {
	Code  int64   `json:"code"`
	Hex   string  `json:"hex"`
	Value float64 `json:"value"` // V or A
	Text  string  `json:"text"`  // the value in words
	Note  string  `json:"note,omitempty"`
}

// Answer returns a code with its value.
func (c Codes) Answer(code int64) CodeAnswer {
	v := c.Value(code)
	return CodeAnswer{Code: code, Hex: c.Hex(code), Value: v, Text: quantity.Format(v, c.Unit, 9)}
}

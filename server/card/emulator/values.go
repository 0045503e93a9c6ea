package emulator

import (
	"context"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/protocol"
	"ohmkeep/server/card/scpi"
)

// bound is the level that MIN or MAX stands for, in the range that is set.
func (s *side) bound(word int) float64 {
	switch word {
	case protocol.Minimum:
		return -s.force
	case protocol.Maximum:
		return s.force
	}
	return 0
}

// level reads a level that is forced: within the largest range.
func level(v scpi.Value, ranges []bench.Range, to *side) error {
	n := v.Number
	if v.Word >= 0 {
		n = to.bound(v.Word)
	}
	if _, holds := bench.RangeFor(ranges, n); !holds {
		return scpi.DataOutOfRange
	}
	to.level = n
	return nil
}

// fullScale reads a range: the smallest that holds the number.
func fullScale(v scpi.Value, ranges []bench.Range, to *float64) error {
	r, holds := bench.RangeFor(ranges, v.Number)
	if !holds {
		return scpi.DataOutOfRange
	}
	*to = r.FullScale
	return nil
}

// limit reads a protection level: positive, and within the largest range that
// limits and the largest that reads.
func limit(v scpi.Value, to *float64, limits, reads []bench.Range) error {
	_, limited := bench.RangeFor(limits, v.Number)
	_, read := bench.RangeFor(reads, v.Number)
	if !limited || !read || v.Number <= 0 {
		return scpi.DataOutOfRange
	}
	*to = v.Number
	return nil
}

// ask answers a query about a channel.
func (x *conversation) ask(u *scpi.Unit, i int) error {
	ch := &x.channels[i]
	s := &ch.set
	number := func(v float64) error { x.say(scpi.FormatNR3(v)); return nil }
	switch u.ID {
	case protocol.Mode:
		x.say(map[bench.Mode]string{bench.ForceVoltage: "VOLT", bench.ForceCurrent: "CURR"}[s.mode])
	case protocol.VoltageLevel:
		return number(s.volts.level)
	case protocol.CurrentLevel:
		return number(s.amps.level)
	case protocol.VoltageRange:
		return number(s.volts.force)
	case protocol.CurrentRange:
		return number(s.amps.force)
	case protocol.SenseVoltageRange:
		return number(s.volts.sense)
	case protocol.SenseCurrentRange:
		return number(s.amps.sense)
	case protocol.VoltageLimit:
		return number(s.volts.limit)
	case protocol.CurrentLimit:
		return number(s.amps.limit)
	case protocol.SenseTerminals:
		x.say(map[bool]string{false: "INT", true: "EXT"}[s.remote])
	case protocol.CurrentAperture, protocol.VoltageAperture:
		return number(s.aperture)
	case protocol.AverageCount:
		x.say(integer(s.count))
	case protocol.AverageState:
		x.say(bit(s.averaging))
	case protocol.Output:
		x.say(bit(ch.on))
	case protocol.Tripped:
		x.say(bit(ch.tripped))
	case protocol.AtCurrentLimit:
		return x.askLimit(i, bench.ForceVoltage)
	case protocol.AtVoltageLimit:
		return x.askLimit(i, bench.ForceCurrent)
	default:
		return scpi.UndefinedHeader
	}
	return nil
}

// askLimit answers whether a channel is at its limit now, which it can be only
// in the mode that the limit is for.
func (x *conversation) askLimit(i int, mode bench.Mode) error {
	ch := &x.channels[i]
	if ch.set.mode == mode {
		ctx, done := x.host.cuttable(context.WithoutCancel(x.ctx))
		defer done()
		if err := x.look(ctx, i); err != nil {
			return err
		}
	}
	x.say(bit(ch.set.mode == mode && ch.limited))
	return nil
}

package emulator

import (
	"context"
	"fmt"
	"strconv"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/protocol"
	"ohmkeep/server/card/scpi"
)

// conversation is a message being carried out.
type conversation struct {
	*Card
	ctx     context.Context // of the host
	host    *host
	changes change
	answer  []byte
}

// execute carries out a message and returns its answer, without LF; nil where
// there is none.
func (c *Card) execute(ctx context.Context, h *host, m message) []byte {
	c.mu.Lock()
	defer c.mu.Unlock()
	if m.err != nil {
		c.report(m.err)
		return nil
	}
	x := conversation{Card: c, ctx: ctx, host: h}
	err := x.units(m.text)
	switch {
	case err == errCut:
		return nil
	case err != nil:
		c.report(err)
	}
	return x.answer
}

// units carries out the units of a message in order, up to the first mistake.
// Coupled settings take effect before the first unit that is none, and at the
// end; with a mistake in one of them none of its fellows does.
func (x *conversation) units(text string) error {
	p := x.parser
	p.Start(text)
	for p.Next() {
		u := p.Unit()
		coupled := !u.Query && protocol.Coupled(u.ID)
		if !coupled {
			if err := x.take(&x.changes); err != nil {
				return err
			}
		}
		if err := x.unit(u); err != nil {
			return err
		}
	}
	if err := p.Err(); err != nil {
		if headerError(err) {
			_ = x.settle()
		}
		return err
	}
	return x.settle()
}

// settle applies the gathered settings.
func (x *conversation) settle() error { return x.take(&x.changes) }

// headerError says that a message ended at what is no command at all: what
// came before it is carried out.
func headerError(err error) bool {
	switch scpi.CodeOf(err) {
	case scpi.UndefinedHeader, scpi.SuffixOutOfRange, scpi.HeaderSeparatorError, scpi.SyntaxError, scpi.MnemonicTooLong:
		return true
	}
	return false
}

// unit carries out one unit.
func (x *conversation) unit(u *scpi.Unit) error {
	if u.Suffix == 0 {
		return x.common(u)
	}
	i, is := x.number[u.Suffix]
	if !is {
		return scpi.SuffixOutOfRange
	}
	if u.Query {
		return x.ask(u, i)
	}
	return x.change(u, i)
}

// common carries out a unit that is about no channel.
func (x *conversation) common(u *scpi.Unit) error {
	if u.Query {
		return x.askCommon(u)
	}
	s := x.status
	switch u.ID {
	case protocol.ClearStatus:
		s.Clear()
	case protocol.EventEnable:
		s.ESE = uint8(u.Values[0].Number)
	case protocol.RequestEnable:
		s.SetSRE(uint8(u.Values[0].Number))
	case protocol.Complete:
		s.Event |= scpi.EventComplete
	case protocol.Wait, protocol.Abort:
		// Nothing is ever pending; a reading was cut short when the message came.
	case protocol.Reset:
		return x.reset()
	case protocol.OperationEnable:
		s.Operation.Enable = uint16(u.Values[0].Number)
	case protocol.QuestionableEnable:
		s.Questionable.Enable = uint16(u.Values[0].Number)
	case protocol.StatusPreset:
		s.Preset()
	case protocol.PathsClose:
		return x.route(u.Values[0].List, true)
	case protocol.PathsOpen:
		return x.route(u.Values[0].List, false)
	case protocol.PathsOpenAll:
		return x.close(make([]bool, len(x.closed)))
	default:
		return scpi.UndefinedHeader
	}
	return nil
}

// askCommon answers a unit that is about no channel.
func (x *conversation) askCommon(u *scpi.Unit) error {
	s := x.status
	switch u.ID {
	case protocol.EventEnable:
		x.say(integer(int(s.ESE)))
	case protocol.EventStatus:
		x.say(integer(int(s.ReadEvent())))
	case protocol.Identify:
		x.say(x.identity)
	case protocol.Complete:
		x.say("1")
	case protocol.Options:
		x.say(fmt.Sprintf("CHANNELS %d,WATCHDOG %s,MESSAGE %d", len(x.channels),
			strconv.FormatFloat(x.watchdog.Seconds(), 'f', -1, 64), protocol.MaxMessage))
	case protocol.RequestEnable:
		x.say(integer(int(s.SRE)))
	case protocol.StatusByte:
		x.say(integer(int(s.Byte(false))))
	case protocol.SelfTest:
		x.say("0")
	case protocol.ErrorNext:
		x.say(s.Queue.Pop().String())
	case protocol.ErrorCount:
		x.say(integer(s.Queue.Len()))
	case protocol.ScpiVersion:
		x.say(protocol.Version)
	case protocol.OperationEvent:
		x.say(integer(int(s.Operation.Read())))
	case protocol.OperationCondition:
		x.say(integer(int(s.Operation.Condition)))
	case protocol.OperationEnable:
		x.say(integer(int(s.Operation.Enable)))
	case protocol.QuestionableEnable:
		x.say(integer(int(s.Questionable.Enable)))
	case protocol.QuestionableEvent, protocol.QuestionableCondition:
		return x.askQuestionable(u.ID)
	case protocol.Read:
		return x.askReading(u)
	case protocol.Fetch:
		if x.last == nil {
			return scpi.DataStale
		}
		x.sayBytes(appendTaken(nil, x.last))
	case protocol.PathsClose:
		return x.askClosed(u.Values[0].List)
	case protocol.ClosedPaths:
		x.say(scpi.FormatChannelList(x.closedItems()))
	default:
		return scpi.UndefinedHeader
	}
	return nil
}

func (x *conversation) askQuestionable(id scpi.ID) error {
	ctx, done := x.host.cuttable(x.ctx)
	defer done()
	all := make([]int, len(x.channels))
	for i := range all {
		all[i] = i
	}
	if err := x.look(ctx, all...); err != nil {
		return err
	}
	q := &x.status.Questionable
	if id == protocol.QuestionableEvent {
		x.say(integer(int(q.Read())))
	} else {
		x.say(integer(int(q.Condition)))
	}
	return nil
}

func (x *conversation) askReading(u *scpi.Unit) error {
	items := []scpi.Item{scpi.Plain(1)}
	if len(u.Values) > 0 {
		items = u.Values[0].List
	}
	ctx, done := x.host.cuttable(x.ctx)
	defer done()
	if err := x.read(ctx, items); err != nil {
		return err
	}
	x.sayBytes(appendTaken(nil, x.last))
	return nil
}

func (x *conversation) askClosed(items []scpi.Item) error {
	at, err := x.paths(items)
	if err != nil {
		return err
	}
	var out []byte
	for k, i := range at {
		if k > 0 {
			out = append(out, ',')
		}
		out = append(out, bit(x.closed[i])...)
	}
	x.sayBytes(out)
	return nil
}

// say adds an answer to the answers of the message.
func (x *conversation) say(s string) { x.sayBytes([]byte(s)) }

func (x *conversation) sayBytes(b []byte) {
	if len(x.answer) > 0 {
		x.answer = append(x.answer, ';')
	}
	x.answer = append(x.answer, b...)
}

func integer(n int) string { return strconv.Itoa(n) }

func bit(on bool) string {
	if on {
		return "1"
	}
	return "0"
}

// change carries out a setting of a channel.
func (x *conversation) change(u *scpi.Unit, i int) error {
	ch := &x.channels[i]
	switch u.ID {
	case protocol.Output:
		return x.output(ch, u.Values[0].On)
	case protocol.TripClear:
		ch.tripped = false
		return nil
	case protocol.AverageState:
		ch.set.averaging = u.Values[0].On
		return nil
	}
	return x.gather(u, i)
}

// gather keeps a coupled setting for later.
func (x *conversation) gather(u *scpi.Unit, i int) error {
	ch := &x.channels[i]
	v := u.Values[0]
	setup := u.ID != protocol.CurrentAperture && u.ID != protocol.VoltageAperture && u.ID != protocol.AverageCount
	s := x.changes.of(x.Card, i, setup)
	switch u.ID {
	case protocol.Mode:
		s.mode = bench.ForceVoltage
		if v.Word == protocol.ForceCurrent {
			s.mode = bench.ForceCurrent
		}
	case protocol.VoltageLevel:
		return level(v, ch.def.ForceV, &s.volts)
	case protocol.CurrentLevel:
		return level(v, ch.def.ForceI, &s.amps)
	case protocol.VoltageRange:
		return fullScale(v, ch.def.ForceV, &s.volts.force)
	case protocol.CurrentRange:
		return fullScale(v, ch.def.ForceI, &s.amps.force)
	case protocol.SenseVoltageRange:
		return fullScale(v, ch.def.SenseV, &s.volts.sense)
	case protocol.SenseCurrentRange:
		return fullScale(v, ch.def.SenseI, &s.amps.sense)
	case protocol.VoltageLimit:
		return limit(v, &s.volts.limit, ch.def.ForceV, ch.def.SenseV)
	case protocol.CurrentLimit:
		return limit(v, &s.amps.limit, ch.def.ForceI, ch.def.SenseI)
	case protocol.SenseTerminals:
		s.remote = v.Word == protocol.External
		if s.remote && !ch.def.RemoteSense {
			return scpi.HardwareMissing
		}
	case protocol.CurrentAperture, protocol.VoltageAperture:
		if !(v.Number >= protocol.MinAperture && v.Number <= protocol.MaxAperture) {
			return scpi.DataOutOfRange
		}
		s.aperture = v.Number
	case protocol.AverageCount:
		if !(v.Number >= 1 && v.Number <= protocol.MaxCount) {
			return scpi.DataOutOfRange
		}
		s.count = int(v.Number)
	default:
		return scpi.UndefinedHeader
	}
	return nil
}

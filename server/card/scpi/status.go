package scpi

// Bits of the standard event status register, IEEE 488.2, 11.5.1.
const (
	EventComplete  uint8 = 1 << iota // operation complete, by *OPC
	EventRequest                     // request control
	EventQuery                       // query error, -4xx
	EventDevice                      // device-specific error, -3xx and above 0
	EventExecution                   // execution error, -2xx
	EventCommand                     // command error, -1xx
	EventUser                        // user request
	EventPowerOn
)

// Bits of the status byte, IEEE 488.2, 11.2 and SCPI-1999 volume 1, 9.
const (
	ByteErrors       uint8 = 1 << 2 // the error queue is not empty
	ByteQuestionable uint8 = 1 << 3
	ByteAnswer       uint8 = 1 << 4 // message available
	ByteEvent        uint8 = 1 << 5 // standard event status
	ByteMaster       uint8 = 1 << 6 // master summary: something that *SRE asked for
	ByteOperation    uint8 = 1 << 7
)

// Bits of the questionable and the operation status registers that a bench
// has use for. SCPI-1999 volume 1, 9.3 and 9.4.
const (
	QuestionableVoltage uint16 = 1 << 0
	QuestionableCurrent uint16 = 1 << 1
	OperationSettling   uint16 = 1 << 1
	OperationMeasuring  uint16 = 1 << 4
)

// Register is a status register of SCPI with a condition: bit 15 is never set.
type Register struct {
	Condition uint16 // as it is now
	Event     uint16 // what has come since it was last read
	Enable    uint16 // which events show in the status byte
}

// Set changes the condition; what rises is an event.
func (r *Register) Set(condition uint16) {
	condition &= 0x7fff
	r.Event |= condition &^ r.Condition
	r.Condition = condition
}

// Read returns the events and clears them.
func (r *Register) Read() uint16 {
	e := r.Event
	r.Event = 0
	return e
}

func (r *Register) summary() bool { return r.Event&r.Enable != 0 }

// Status is the status of a device: its registers and its error queue. It is
// not for use by several goroutines at a time.
type Status struct {
	Event, ESE, SRE         uint8 // standard event status, its enable, service request enable
	Operation, Questionable Register
	Queue                   *Queue
}

// NewStatus is the status after power on, with room for so many errors.
func NewStatus(capacity int) *Status {
	return &Status{Event: EventPowerOn, Queue: NewQueue(capacity)}
}

// Report queues an error and sets its class in the standard event register.
func (s *Status) Report(e Error) {
	s.Event |= e.Code.Class()
	if !s.Queue.Push(e) {
		s.Event |= QueueOverflow.Class()
	}
}

// ReadEvent returns the standard event register and clears it: *ESR?.
func (s *Status) ReadEvent() uint8 {
	e := s.Event
	s.Event = 0
	return e
}

// SetSRE sets the service request enable; bit 6 is ignored: *SRE.
func (s *Status) SetSRE(bits uint8) { s.SRE = bits &^ ByteMaster }

// Clear empties the event registers and the queue and keeps the enables: *CLS.
func (s *Status) Clear() {
	s.Event, s.Operation.Event, s.Questionable.Event = 0, 0, 0
	s.Queue.Clear()
}

// Preset disables what SCPI adds to the status byte: STATus:PRESet.
func (s *Status) Preset() { s.Operation.Enable, s.Questionable.Enable = 0, 0 }

// Byte is the status byte with the master summary: *STB?. answer says that an
// answer waits to be read.
func (s *Status) Byte(answer bool) uint8 {
	var b uint8
	for _, bit := range []struct {
		set bool
		bit uint8
	}{
		{s.Queue.Len() > 0, ByteErrors},
		{s.Questionable.summary(), ByteQuestionable},
		{answer, ByteAnswer},
		{s.Event&s.ESE != 0, ByteEvent},
		{s.Operation.summary(), ByteOperation},
	} {
		if bit.set {
			b |= bit.bit
		}
	}
	if b&s.SRE != 0 {
		b |= ByteMaster
	}
	return b
}

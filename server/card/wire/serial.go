package wire

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"go.bug.st/serial"

	"ohmkeep/server/bench"
)

// readPause is how often a waiting Read looks whether the device was closed.
const readPause = 50 * time.Millisecond

// serialStream is an open serial device. The library's Close gives the file
// back to the system before those who still use it have noticed, so that a
// Read or Write could touch whatever was opened next: here it waits for them.
// The library cannot end a Write that waits for a card that takes nothing.
type serialStream struct {
	port    serial.Port
	lock    io.Closer
	closed  atomic.Bool
	reading sync.Mutex
	writing sync.Mutex
}

// openSerial opens a serial device for nobody else, and throws away what has
// come in before.
func openSerial(ctx context.Context, a bench.Address) (io.ReadWriteCloser, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	mode := &serial.Mode{BaudRate: a.Baud, DataBits: a.Data, Parity: serial.NoParity, StopBits: serial.OneStopBit}
	switch a.Parity {
	case "even":
		mode.Parity = serial.EvenParity
	case "odd":
		mode.Parity = serial.OddParity
	}
	if a.Stop == 2 {
		mode.StopBits = serial.TwoStopBits
	}
	lock, err := lockDevice(a.Place)
	if err != nil {
		return nil, fmt.Errorf("wire: %s: %w", a.Place, err)
	}
	port, err := serial.Open(a.Place, mode)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("wire: %s: %w", a.Place, err), lock.Close())
	}
	s := &serialStream{port: port, lock: lock}
	if err := errors.Join(port.SetReadTimeout(readPause), port.ResetInputBuffer()); err != nil {
		return nil, errors.Join(fmt.Errorf("wire: %s: %w", a.Place, err), s.Close())
	}
	return s, nil
}

func (s *serialStream) Read(p []byte) (int, error) {
	s.reading.Lock()
	defer s.reading.Unlock()
	for !s.closed.Load() {
		n, err := s.port.Read(p)
		if n > 0 || err != nil {
			return n, err
		}
	}
	return 0, os.ErrClosed
}

func (s *serialStream) Write(p []byte) (n int, err error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	for n < len(p) && err == nil {
		if s.closed.Load() {
			return n, os.ErrClosed
		}
		var m int
		m, err = s.port.Write(p[n:])
		n += m
	}
	return n, err
}

// Close waits for a Read, for at most readPause. Bytes that have not been sent
// are thrown away: a Write that waits for room then has it, and the system
// need not wait for a card that takes nothing.
func (s *serialStream) Close() error {
	if s.closed.Swap(true) {
		return nil
	}
	for !s.writing.TryLock() {
		_ = s.port.ResetOutputBuffer()
		time.Sleep(time.Millisecond)
	}
	defer s.writing.Unlock()
	s.reading.Lock()
	defer s.reading.Unlock()
	_ = s.port.ResetOutputBuffer()
	return errors.Join(s.port.Close(), s.lock.Close())
}

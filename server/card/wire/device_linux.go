package wire

import (
	"errors"
	"io"
	"os"
	"syscall"

	"go.bug.st/serial"
)

// device is a serial device that is read and written through a file of our
// own, by the runtime's poller: Close ends whatever waits, also a Write to a
// card that takes nothing, which the library's Close cannot end. The library
// sets the line and keeps it exclusive.
type device struct {
	*os.File
	port serial.Port
}

// claim opens a device for this program alone. The system's own exclusive
// mode, which the library sets, does not hold for root.
func claim(path string) (*device, error) {
	f, err := os.OpenFile(path, os.O_RDWR|syscall.O_NOCTTY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, errors.Unwrap(err) // the caller names the path
	}
	err = lock(f)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		err = errBusy
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return &device{File: f}, nil
}

func lock(f *os.File) error {
	raw, err := f.SyscallConn() // Fd would make it blocking
	if err != nil {
		return err
	}
	var locked error
	err = raw.Control(func(fd uintptr) { locked = syscall.Flock(int(fd), syscall.LOCK_EX|syscall.LOCK_NB) })
	return errors.Join(err, locked)
}

var errBusy = errors.New("another program uses it")

// over is the stream over the device that the library has set.
func (d *device) over(port serial.Port) io.ReadWriteCloser {
	d.port = port
	return d
}

// Close throws away what has not been sent: the system would wait for a card
// that takes nothing.
func (d *device) Close() error {
	err := d.File.Close()
	if d.port != nil {
		_ = d.port.ResetOutputBuffer()
		err = errors.Join(err, d.port.Close())
	}
	return err
}

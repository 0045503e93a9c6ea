//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package wire

import (
	"errors"
	"io"
	"os"
	"syscall"
)

// lockDevice keeps a second program of ours away from a device. The system's
// own exclusive mode, which the library sets, does not hold for root.
func lockDevice(path string) (io.Closer, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NOCTTY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, errors.Unwrap(err) // the caller names the path
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		err = errBusy
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

var errBusy = errors.New("another program uses it")

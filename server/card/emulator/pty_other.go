//go:build !linux

package emulator

import (
	"errors"
	"io"
)

// OpenPTY makes a pseudo-terminal in raw mode; here it cannot.
func OpenPTY() (card io.ReadWriteCloser, hostPath string, err error) {
	return nil, "", errors.New("emulator: pseudo-terminals are made on Linux alone; use TCP")
}

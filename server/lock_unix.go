//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
)

// lockData locks a data directory against a second server, which would take
// the runs of the first for ones that a stop has cut short. The system
// releases the lock when the program ends, however it ends. The tokens'
// command does not ask for it.
func lockData(dir string) (release func() error, err error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("data directory: %w", err)
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		err = fmt.Errorf("another server works on the data directory %s: stop it first, or name another with -data", dir)
	} else if err != nil {
		err = fmt.Errorf("locking the data directory %s: %w", dir, err)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f.Close, nil
}

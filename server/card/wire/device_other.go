//go:build !(linux || darwin || freebsd || netbsd || openbsd || dragonfly)

package wire

import "io"

// lockDevice has nothing to add: here the system gives a device to one program
// only.
func lockDevice(string) (io.Closer, error) { return io.NopCloser(nil), nil }

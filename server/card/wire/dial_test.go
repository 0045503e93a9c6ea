//go:build linux

package wire

import (
	"context"
	"errors"
	"net"
	"syscall"
	"testing"

	"ohmkeep/server/bench"
)

// A message is sent at once, and the system looks after a silent connection.
func TestTCPOptions(t *testing.T) {
	stream := dialed(t, bench.Address{Network: "tcp", Place: answerer(t)})
	raw, err := stream.(*net.TCPConn).SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range []struct {
		name              string
		level, opt, value int
	}{
		{"no delay", syscall.IPPROTO_TCP, syscall.TCP_NODELAY, 1},
		{"keepalive", syscall.SOL_SOCKET, syscall.SO_KEEPALIVE, 1},
		{"first after, s", syscall.IPPROTO_TCP, syscall.TCP_KEEPIDLE, 5},
		{"then every, s", syscall.IPPROTO_TCP, syscall.TCP_KEEPINTVL, 2},
		{"given up after", syscall.IPPROTO_TCP, syscall.TCP_KEEPCNT, 3},
	} {
		var got int
		var failed error
		if err := raw.Control(func(fd uintptr) { got, failed = syscall.GetsockoptInt(int(fd), o.level, o.opt) }); err != nil {
			t.Fatal(err)
		}
		if failed != nil || got != o.value {
			t.Errorf("%s: %d, %v", o.name, got, failed)
		}
	}
}

func TestTCPErrors(t *testing.T) {
	at, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at.Close()
	dial := DialerOf(bench.Address{Network: "tcp", Place: at.Addr().String()})
	if _, err := dial(t.Context()); !errors.Is(err, syscall.ECONNREFUSED) {
		t.Error(err)
	}
	over, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := dial(over); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if _, err := DialerOf(bench.Address{Network: "serial", Place: "/dev/null"})(over); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

package card

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"ohmkeep/server/card/wire"
	"ohmkeep/server/cardinfo"
)

func connAt(t *testing.T, address string) *conn {
	t.Helper()
	def := fakeBench(1)
	def.Connections[0].Address = address
	c, err := (&Link{def: def, traffic: wire.NewLog(0)}).newConn(&def.Connections[0])
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// TestRemedies: what is wrong with a connection is said with what helps
// against it.
func TestRemedies(t *testing.T) {
	const tcp, line = "tcp://card.example:5025", "serial:///dev/ttyACM7"
	for _, c := range []struct {
		address string
		err     error
		want    string
	}{
		{tcp, &net.DNSError{Err: "no such host", Name: "card.example"}, "name in the address"},
		{tcp, syscall.ECONNREFUSED, "nothing listens"},
		{tcp, syscall.EHOSTUNREACH, "network cable"},
		{tcp, context.DeadlineExceeded, "firewall"},
		{tcp, syscall.ECONNRESET, "one host at a time"},
		{tcp, errors.New("odd"), "power"},
		{line, os.ErrNotExist, "/dev/serial/by-id"},
		{line, syscall.EACCES, "may not open /dev/ttyACM7"},
		{line, syscall.EBUSY, "Another program"},
		{line, syscall.ENOTTY, "no serial device"},
		{line, errors.New("odd"), "no other program"},
	} {
		reason, remedy := connAt(t, c.address).explain(connAt(t, c.address).unreachable(fmt.Errorf("wire: %w", c.err)))
		if !strings.Contains(remedy, c.want) || strings.Contains(reason, "wire:") || !strings.Contains(reason, "cannot be reached") {
			t.Errorf("%s, %v: %q, %q", c.address, c.err, reason, remedy)
		}
	}
	for _, c := range []struct {
		address string
		err     error
		want    string
	}{
		{tcp, wire.ErrTimeout, "port"},
		{tcp, fmt.Errorf("%w: %w", wire.ErrClosed, io.EOF), "another program or another server"},
		{line, wire.ErrTimeout, "baud rate"},
		{line, fmt.Errorf("%w: %w", wire.ErrClosed, io.EOF), "cable"},
	} {
		if _, remedy := connAt(t, c.address).explain(connAt(t, c.address).silent(c.err, time.Second)); !strings.Contains(remedy, c.want) {
			t.Errorf("%s, %v: %q", c.address, c.err, remedy)
		}
	}
}

// TestRealConnectionsThatFail: real sockets and files bring the errors that
// the words are for.
func TestRealConnectionsThatFail(t *testing.T) {
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	free := listener.Addr().String()
	_ = listener.Close()
	closing, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer closing.Close()
	go func() {
		for {
			conn, err := closing.Accept()
			if err != nil {
				return
			}
			_ = conn.Close()
		}
	}()
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for address, want := range map[string]string{
		"tcp://" + free:                    "nothing listens",
		"tcp://" + closing.Addr().String(): "one host at a time",
		"serial:///dev/no-such-device":     "There is no /dev/no-such-device",
		"serial://" + file:                 "no serial device",
	} {
		def := fakeBench(1)
		def.Connections[0].Address = address
		l, err := Open(Config{Definition: def})
		if err != nil {
			t.Fatal(err)
		}
		ctx := t.Context()
		if err := l.Settled(ctx); err != nil {
			t.Error(err)
		}
		h := l.Health()[0]
		if h.Condition != cardinfo.Connecting || h.Tries < 1 || !strings.Contains(h.Remedy, want) {
			t.Errorf("%s: %+v", address, h)
		}
		if err := l.Set(ctx, 1, volts(0)); !errors.Is(err, ErrDown) || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", address, err)
		}
		_ = l.Disconnect()
	}
}

// TestNoTimeLeft: the end of a call's time is said as that of an answer's.
func TestNoTimeLeft(t *testing.T) {
	c := connAt(t, "tcp://card.example:5025")
	late, lateRemedy := c.explain(c.trouble(wire.ErrTimeout, "*IDN?", time.Second))
	for _, err := range []error{context.DeadlineExceeded, fmt.Errorf("waiting: %w", context.DeadlineExceeded)} {
		if what, remedy := c.explain(c.trouble(err, "*IDN?", time.Second)); what != late || remedy != lateRemedy {
			t.Errorf("%v: %q, %q", err, what, remedy)
		}
	}
	if what, _ := c.explain(c.restarted()); what != "the card has restarted: what was set is gone" {
		t.Errorf("%q: nobody has asked about the outputs", what)
	}
}

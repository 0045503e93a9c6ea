package main

import (
	"io"
	"net"
	"sync"
	"testing"
)

// line is a cable between a browser and the server that can be pulled out and
// put back.
type line struct {
	t    *testing.T
	to   string
	l    net.Listener
	mu   sync.Mutex
	open map[net.Conn]bool
	out  bool
}

func newLine(t *testing.T, to string) *line {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	x := &line{t: t, to: to, l: l, open: map[net.Conn]bool{}}
	t.Cleanup(func() { l.Close(); x.cut() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go x.carry(c)
		}
	}()
	return x
}

func (x *line) address() string { return x.l.Addr().String() }

func (x *line) carry(c net.Conn) {
	defer c.Close()
	s, err := net.Dial("tcp", x.to)
	if err != nil {
		return
	}
	defer s.Close()
	if !x.plug(c, s) {
		return
	}
	defer x.unplug(c, s)
	go func() { _, _ = io.Copy(s, c); s.Close() }()
	_, _ = io.Copy(c, s)
}

func (x *line) plug(conns ...net.Conn) bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, c := range conns {
		x.open[c] = true
	}
	return !x.out
}

func (x *line) unplug(conns ...net.Conn) {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, c := range conns {
		delete(x.open, c)
	}
}

// cut breaks every connection and refuses new ones.
func (x *line) cut() {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.out = true
	for c := range x.open {
		c.Close()
	}
}

func (x *line) mend() {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.out = false
}

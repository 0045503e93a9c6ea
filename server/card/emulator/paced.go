package emulator

import (
	"context"
	"io"
	"net"
	"sync"
	"time"

	"ohmkeep/server/bench"
)

const (
	// bitsPerByte is the number of bits of a byte on a serial line: start,
	// eight data, stop.
	bitsPerByte = 10
	// fifo is the number of bytes that a serial port passes on together.
	fifo = 16
)

// Paced makes the bytes of a stream take the time that they would on a serial
// line, in each direction, 10 bits a byte. It waits on the wall clock, to some
// 0.1 ms, and is not for a test's own clock (testing/synctest).
func Paced(stream io.ReadWriteCloser, bitsPerSecond int) io.ReadWriteCloser {
	each := time.Duration(bitsPerByte * int64(time.Second) / int64(bitsPerSecond))
	p := &paced{stream: stream, in: direction{each: each}, out: direction{each: each}}
	p.ctx, p.cancel = context.WithCancel(context.Background())
	return p
}

// PacedListener makes the connections of a listener Paced.
func PacedListener(l net.Listener, bitsPerSecond int) net.Listener {
	return pacedListener{l, bitsPerSecond}
}

type pacedListener struct {
	net.Listener
	bitsPerSecond int
}

func (l pacedListener) Accept() (net.Conn, error) {
	conn, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return pacedConn{conn, Paced(conn, l.bitsPerSecond)}, nil
}

type pacedConn struct {
	net.Conn
	line io.ReadWriteCloser
}

func (c pacedConn) Read(b []byte) (int, error)  { return c.line.Read(b) }
func (c pacedConn) Write(b []byte) (int, error) { return c.line.Write(b) }
func (c pacedConn) Close() error                { return c.line.Close() }

type paced struct {
	stream  io.ReadWriteCloser
	ctx     context.Context // until it is closed
	cancel  context.CancelFunc
	in, out direction
}

// direction is one wire of the line.
type direction struct {
	mu   sync.Mutex
	each time.Duration // of a byte
	free time.Time     // when the last byte has gone through
}

// pass waits until n bytes that were ready at from have gone through the wire.
func (d *direction) pass(ctx context.Context, from time.Time, n int) error {
	if from.After(d.free) {
		d.free = from
	}
	d.free = d.free.Add(time.Duration(n) * d.each)
	return bench.FineClock{}.Sleep(ctx, time.Until(d.free))
}

const (
	// waited is the time from which a read counts as one that had to wait for its
	// bytes.
	waited = 50 * time.Microsecond
	// recent is the time for which bytes that are there already count as
	// having come right behind those before: as late as a wait may end.
	recent = time.Millisecond
)

// Read returns bytes when the last of them has come through.
func (p *paced) Read(b []byte) (int, error) {
	p.in.mu.Lock()
	defer p.in.mu.Unlock()
	began := time.Now()
	n, err := p.stream.Read(b[:min(len(b), fifo)])
	if n == 0 {
		return n, err
	}
	from := time.Now()
	if from.Sub(began) < waited {
		from = began // they were there already
		if began.Sub(p.in.free) < recent {
			from = p.in.free // right behind those before
		}
	}
	if late := p.in.pass(p.ctx, from, n); late != nil && err == nil {
		err = io.ErrClosedPipe
	}
	return n, err
}

// Write passes bytes on as they come through.
func (p *paced) Write(b []byte) (int, error) {
	p.out.mu.Lock()
	defer p.out.mu.Unlock()
	from := time.Now()
	for done := 0; done < len(b); {
		n := min(len(b)-done, fifo)
		if err := p.out.pass(p.ctx, from, n); err != nil {
			return done, io.ErrClosedPipe
		}
		wrote, err := p.stream.Write(b[done : done+n])
		if done += wrote; err != nil {
			return done, err
		}
		from = p.out.free
	}
	return len(b), nil
}

func (p *paced) Close() error {
	p.cancel()
	return p.stream.Close()
}

package conformance

import (
	"context"
	"io"
	"net"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/emulator"
	"ohmkeep/server/card/wire"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/rehearsal"
)

// testWatchdog is short, so that waiting it out many times takes seconds, and
// long against what a loaded host may be held up.
const testWatchdog = 200 * time.Millisecond

// lineTimeout is when a line counts as dead that takes no bytes. A machine that
// runs other tests may hold us up for as long as it likes.
const lineTimeout = time.Hour

// virtually runs a test in a bubble of time of its own: what the check waits
// for takes no time, and a busy machine is late for nothing.
func virtually(t *testing.T, f func(t *testing.T)) {
	t.Helper()
	t.Parallel()
	synctest.Test(t, f)
}

// cables is a listener whose connections are pipes inside the process, as a
// bubble needs them.
type cables struct {
	conns chan net.Conn
	over  chan struct{}
	once  sync.Once
}

func newCables() *cables { return &cables{conns: make(chan net.Conn), over: make(chan struct{})} }

func (c *cables) Accept() (net.Conn, error) {
	select {
	case conn := <-c.conns:
		return conn, nil
	case <-c.over:
		return nil, net.ErrClosed
	}
}

func (c *cables) Close() error { c.once.Do(func() { close(c.over) }); return nil }

func (c *cables) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 5025} }

// dial plugs in a cable.
func (c *cables) dial(ctx context.Context) (net.Conn, error) {
	host, card := net.Pipe()
	select {
	case c.conns <- card:
		return host, nil
	case <-c.over:
		return nil, net.ErrClosed
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// rig is an emulated card, and the way to it.
type rig struct {
	t       testing.TB
	card    *emulator.Card
	link    *spy
	connect func(context.Context) (net.Conn, error)
	options Options
	orders  *emulator.Orders
	// bad spoils the card: what host and card say goes through it.
	bad *spoiler
	// noRestart: nobody switches the card off and on.
	noRestart bool
}

// newRig makes a card with an empty socket, and serves it over cables.
func newRig(t testing.TB, watchdog time.Duration, bad *spoiler) *rig {
	t.Helper()
	c := newCables()
	return newRigOn(t, c, c.dial, watchdog, bad)
}

// newRigOnTCP makes a card that is served on a TCP port, in real time.
func newRigOnTCP(t testing.TB, watchdog time.Duration) *rig {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return newRigOn(t, l, func(ctx context.Context) (net.Conn, error) {
		var d net.Dialer
		return d.DialContext(ctx, "tcp", l.Addr().String())
	}, watchdog, nil)
}

func newRigOn(t testing.TB, l net.Listener, connect func(context.Context) (net.Conn, error), watchdog time.Duration, bad *spoiler) *rig {
	t.Helper()
	clock := bench.RealClock{}
	def := rehearsal.DefaultBench()
	b, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: 7, Seat: rehearsal.Seat{Model: "empty", Seed: 1, PinMap: bench.PinMap{Contacts: map[int]int{}}}})
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, bad: bad, link: &spy{Link: b, t: t, on: map[bench.ChannelID]bool{}, set: map[bench.ChannelID]bench.Setup{}}}
	r.orders = emulator.NewOrders(1)
	if r.card, err = emulator.New(emulator.Config{Link: r.link, Definition: def, Watchdog: watchdog, Serial: "T-1", Orders: r.orders}); err != nil {
		t.Fatal(err)
	}
	r.connect = connect
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.card.Listen(ctx, l) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Errorf("the card ended with %v", err)
		}
	})
	described := emulator.Describe(def, "tcp://"+l.Addr().String())
	described.Connections[0].Watchdog = watchdog.Seconds()
	if r.options, err = OptionsOf(&described, described.Connections[0].Name); err != nil {
		t.Fatal(err)
	}
	r.options.Timeout = 300 * time.Millisecond
	r.options.Dial = r.dial
	return r
}

// dial connects to the card, through what spoils it.
func (r *rig) dial(ctx context.Context) (io.ReadWriteCloser, error) {
	conn, err := r.connect(ctx)
	if err != nil || r.bad == nil {
		return conn, err
	}
	return r.bad.between(conn), nil
}

// run checks the card and returns what was found.
func (r *rig) run(groups ...string) ([]cardinfo.Finding, error) {
	stream, err := r.dial(r.t.Context())
	if err != nil {
		return nil, err
	}
	return r.over(r.t.Context(), stream, groups...)
}

func (r *rig) over(ctx context.Context, stream io.ReadWriteCloser, groups ...string) ([]cardinfo.Finding, error) {
	o := r.options
	o.Groups = groups
	o.Log = wire.NewLog(1 << 20)
	o.Stream = stream
	line := wire.NewLine(stream, wire.Options{Connection: o.Connection, Log: o.Log, Timeout: lineTimeout})
	defer func() { _ = line.Close() }()
	now := line
	o.Restart = func(ctx context.Context) (*wire.Line, io.Writer, error) {
		r.orders.Add(emulator.Order{Kind: emulator.PowerCut, At: 1})
		_ = now.Tell(ctx, "*WAI") // it is cut off by it
		<-now.Done()
		again, stream, err := r.again(ctx, o)
		if err == nil {
			now = again
		}
		return again, stream, err
	}
	if r.noRestart {
		o.Restart = nil
	}
	var found []cardinfo.Finding
	err := Run(ctx, line, o, func(f cardinfo.Finding) { found = append(found, f) })
	return found, err
}

// again connects to a card that is being switched on.
func (r *rig) again(ctx context.Context, o Options) (*wire.Line, io.Writer, error) {
	for {
		stream, err := r.dial(ctx)
		if err != nil {
			return nil, nil, err
		}
		line := wire.NewLine(stream, wire.Options{Connection: o.Connection, Log: o.Log, Timeout: lineTimeout})
		// A card without power ends the connection, and one that has it answers.
		if line.Resync(ctx, time.Second) != nil {
			_ = line.Close()
			continue
		}
		r.t.Cleanup(func() { _ = line.Close() })
		return line, stream, nil
	}
}

// failed is the titles of what failed.
func failed(found []cardinfo.Finding) []string {
	var titles []string
	for _, f := range found {
		if f.Verdict == cardinfo.Fail {
			titles = append(titles, f.Title)
		}
	}
	return titles
}

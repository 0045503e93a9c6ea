package wire

import (
	"context"
	"fmt"
	"io"
	"net"
	"time"

	"ohmkeep/server/bench"
)

// Dialer opens a stream to a card. The stream's Close ends a Read or Write
// that is waiting.
type Dialer func(ctx context.Context) (io.ReadWriteCloser, error)

// DialerOf is the dialer of an address. Nobody else can open a serial device
// while its stream is open, which begins with what comes after the opening.
func DialerOf(a bench.Address) Dialer {
	switch a.Network {
	case "tcp":
		return func(ctx context.Context) (io.ReadWriteCloser, error) { return dialTCP(ctx, a.Place) }
	case "serial":
		return func(ctx context.Context) (io.ReadWriteCloser, error) { return openSerial(ctx, a) }
	}
	return func(context.Context) (io.ReadWriteCloser, error) {
		return nil, fmt.Errorf("wire: nothing is known of the network %q", a.Network)
	}
}

// keepAlive lets the system notice within 11 s that a card with which nothing
// is being said has lost its power. It costs an exchange nothing.
var keepAlive = net.KeepAliveConfig{Enable: true, Idle: 5 * time.Second, Interval: 2 * time.Second, Count: 3}

func dialTCP(ctx context.Context, place string) (io.ReadWriteCloser, error) {
	d := net.Dialer{KeepAliveConfig: keepAlive}
	// Go sends at once (no delay) unless told otherwise.
	stream, err := d.DialContext(ctx, "tcp", place)
	if err != nil {
		return nil, fmt.Errorf("wire: %w", err)
	}
	return stream, nil
}

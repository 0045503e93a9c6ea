package conformance

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"
)

func hostPoints() []point {
	const group = "hosts"
	return []point{
		{group: group, title: "a second connection is closed at once, without a byte", steps: []step{
			do("the second connection ends, the first goes on", secondHost), ask("*ESE?", is("0")), noError(),
		}},
		{group: group, title: "a second host changes nothing", steps: []step{
			carried("*ESE 3"), do(`"*ESE 5" over a second connection → not carried out`, secondHost), ask("*ESE?", is("3")), noError(),
		}},
	}
}

// secondHost opens a second connection, says something, and wants it closed.
func secondHost(t *trial) (string, error) {
	if t.o.Dial == nil {
		return "", skip("a second connection cannot be opened: not a TCP connection, or the check was given no way to")
	}
	const limit = time.Second
	ctx, cancel := context.WithTimeout(t.ctx, limit+t.o.Timeout)
	defer cancel()
	start := time.Now()
	stream, err := t.o.Dial(ctx)
	if err != nil {
		if ctx.Err() != nil {
			return "", wrongf("a second connection was neither taken nor refused: %v", err)
		}
		return "a second connection is refused", nil
	}
	defer func() { _ = stream.Close() }()
	_, _ = stream.Write([]byte("*ESE 5\n*IDN?\n")) // it may be closed already
	type end struct {
		bytes []byte
		err   error
	}
	ended := make(chan end, 1)
	go func() {
		got, err := io.ReadAll(io.LimitReader(stream, 4096))
		ended <- end{got, err}
	}()
	select {
	case e := <-ended:
		if len(e.bytes) > 0 {
			return "", wrongf("it was answered: %q", e.bytes)
		}
		if errors.Is(e.err, os.ErrDeadlineExceeded) {
			return "", e.err
		}
		return fmt.Sprintf("closed after %v", time.Since(start).Round(10*time.Microsecond)), nil
	case <-ctx.Done():
		if err := t.ctx.Err(); err != nil {
			return "", err
		}
		return "", wrongf("it was still open after %v", time.Since(start).Round(time.Millisecond))
	}
}

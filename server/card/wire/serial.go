package wire

import (
	"context"
	"errors"
	"fmt"
	"io"

	"go.bug.st/serial"

	"ohmkeep/server/bench"
)

// openSerial opens a serial device for nobody else, and throws away what has
// come in before.
func openSerial(ctx context.Context, a bench.Address) (io.ReadWriteCloser, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	d, err := claim(a.Place)
	if err != nil {
		return nil, fmt.Errorf("wire: %s: %w", a.Place, err)
	}
	port, err := serial.Open(a.Place, modeOf(a))
	if err != nil {
		return nil, errors.Join(fmt.Errorf("wire: %s: %w", a.Place, err), d.Close())
	}
	stream := d.over(port)
	if err := port.ResetInputBuffer(); err != nil {
		return nil, errors.Join(fmt.Errorf("wire: %s: %w", a.Place, err), stream.Close())
	}
	return stream, nil
}

// modeOf returns the settings of a serial line from its address.
func modeOf(a bench.Address) *serial.Mode {
	mode := &serial.Mode{BaudRate: a.Baud, DataBits: a.Data, Parity: serial.NoParity, StopBits: serial.OneStopBit}
	switch a.Parity {
	case "even":
		mode.Parity = serial.EvenParity
	case "odd":
		mode.Parity = serial.OddParity
	}
	if a.Stop == 2 {
		mode.StopBits = serial.TwoStopBits
	}
	return mode
}

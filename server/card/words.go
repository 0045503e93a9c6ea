package card

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"syscall"
	"time"

	"go.bug.st/serial"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/wire"
)

// fault returns an error of this connection.
func (c *conn) fault(kind error, what, remedy string) error {
	return &Error{Connection: c.def.Name, What: what, Remedy: remedy, Err: kind}
}

// explain takes an error apart into what happened and what to do.
func (c *conn) explain(err error) (reason, remedy string) {
	var e *Error
	if errors.As(err, &e) {
		return e.What, e.Remedy
	}
	if errors.Is(err, wire.ErrClosed) {
		return "the connection has ended: " + plain(err), c.remedyOfEnd()
	}
	return plain(err), ""
}

// plain is an error's text without the names of packages.
func plain(err error) string {
	return strings.NewReplacer("wire: ", "", wire.ErrClosed.Error()+": ", "").Replace(err.Error())
}

// isOfTheLine reports whether an exchange came to nothing because an answer was
// late, missing or spoilt, though the connection stands.
func isOfTheLine(err error) bool {
	if errors.Is(err, wire.ErrClosed) || errors.Is(err, wire.ErrCut) {
		return false
	}
	for _, kind := range []error{wire.ErrTimeout, wire.ErrGarbled, wire.ErrUnexpected, wire.ErrOutOfStep, ErrAnswer} {
		if errors.Is(err, kind) {
			return true
		}
	}
	return false
}

// trouble is the error of an exchange that failed.
func (c *conn) trouble(err error, message string, within time.Duration) error {
	asked := shown(strings.ReplaceAll(message, "\n", " ⏎ "))
	e := &Error{Connection: c.def.Name, Err: err}
	switch {
	case errors.Is(err, wire.ErrClosed):
		e.What, e.Remedy = "the connection ended during "+asked+": "+plain(err), c.remedyOfEnd()
	case errors.Is(err, wire.ErrTimeout), errors.Is(err, context.DeadlineExceeded):
		e.What = fmt.Sprintf("no answer to %s within %v", asked, within.Round(time.Millisecond))
		e.Remedy = "Check the card's power and its cable; if it is only slow, give the connection a longer timeout"
	case errors.Is(err, wire.ErrGarbled):
		e.What, e.Remedy = "what came after "+asked+" is no line of text", c.remedyOfNoise()
	case errors.Is(err, wire.ErrUnexpected):
		e.What = "more came after " + asked + " than one answer"
		e.Remedy = "Check that nobody else talks to the card, and that its firmware answers every question once"
	default:
		e.What = asked + ": " + plain(err)
	}
	return e
}

// senseless is the error of an answer that cannot be one.
func (c *conn) senseless(answer, asked string) error {
	c.countGarbled()
	return c.fault(ErrAnswer, fmt.Sprintf("%s is no answer to %s", shown(answer), shown(asked)), c.remedyOfNoise())
}

func (c *conn) remedyOfNoise() string {
	if c.isSerial() {
		return "Check the baud rate, the cable and its ground; look at the bytes on the page of the connection"
	}
	return "Look at the bytes on the page of the connection: the firmware must send nothing but answers"
}

func (c *conn) remedyOfEnd() string {
	if c.isSerial() {
		return "Check the card's cable and power; plug it in again"
	}
	return "Check the card's power and network cable, and that nobody else is connected to it: a card has one host at a time"
}

func (c *conn) isSerial() bool { return strings.HasPrefix(c.def.Address, "serial:") }

// place is where the connection leads, for a person.
func (c *conn) place() string {
	a, err := bench.ParseAddress(c.def.Address)
	if err != nil {
		return c.def.Address
	}
	return a.Place
}

// restarted is the error of a card that has started anew.
func (c *conn) restarted() error {
	return c.fault(ErrRestarted, "the card has restarted: what was set is gone",
		"Check the card's power and its supply; then make the bench safe and start again")
}

// reported is the error of a card that has reported something.
func (c *conn) reported(said CardErrors, message string) error {
	what := said.Error()
	if message != "" {
		what += " after " + shown(strings.ReplaceAll(message, "\n", " ⏎ "))
	}
	if len(said) == 0 {
		what, said = "the card says that there was an error, and its error queue is empty", CardErrors{}
	}
	return &Error{Connection: c.def.Name, What: what, Err: said,
		Remedy: "The page of the protocol says what the number means; where the card speaks another dialect, change the connection's commands"}
}

// changedBy is the error of a card that is not as it was set; said is what is
// in its error queue.
func (c *conn) changedBy(why error, said CardErrors) error {
	what := why.Error()
	if len(said) > 0 {
		what += "; " + said.Error()
	}
	return &Error{Connection: c.def.Name, What: what, Err: errors.Join(why, kindOf(said)),
		Remedy: "Check the bench: the card may have restarted, made itself safe, or been told something by another host"}
}

func kindOf(said CardErrors) error {
	if len(said) == 0 {
		return nil
	}
	return said
}

// silent is the error of a card that did not answer at all after its
// connection was opened.
func (c *conn) silent(err error, within time.Duration) error {
	if errors.Is(err, context.Canceled) {
		return err
	}
	e := &Error{Connection: c.def.Name, Err: err}
	switch {
	case errors.Is(err, wire.ErrClosed) && c.isSerial():
		e.What, e.Remedy = "the connection ended at once: "+plain(err), c.remedyOfEnd()
	case errors.Is(err, wire.ErrClosed):
		e.What = "the card ended the connection at once: " + plain(err)
		e.Remedy = "Look whether another program or another server is connected to it: a card has one host at a time"
	case c.isSerial():
		e.What = fmt.Sprintf("nothing that makes sense came within %v", within.Round(time.Millisecond))
		e.Remedy = "Check that the card has power, that the baud rate and the other settings of the line are the card's, and that the firmware answers *ESE?"
	default:
		e.What = fmt.Sprintf("the connection stands, but nothing that makes sense came within %v", within.Round(time.Millisecond))
		e.Remedy = "Check that the port is the one for commands, and that the firmware answers *ESE?"
	}
	return e
}

// unreachable is the error of a connection that could not be opened, with what
// usually helps.
func (c *conn) unreachable(err error) error {
	if errors.Is(err, context.Canceled) {
		return err
	}
	e := &Error{Connection: c.def.Name, What: "it cannot be reached: " + plain(err), Err: errors.Join(ErrDown, err)}
	var name *net.DNSError
	var slow net.Error
	switch {
	case c.isSerial():
		e.Remedy = c.remedyOfDevice(err)
	case errors.As(err, &name):
		e.Remedy = "The name in the address is not known here: check it, or write the card's number address"
	case errors.Is(err, syscall.ECONNREFUSED):
		e.Remedy = "Something is at that address, but nothing listens at the port: check the port, and that the card has finished starting"
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		e.Remedy = "Check the network cable, the card's power, and that its address is in this computer's network"
	case errors.Is(err, context.DeadlineExceeded), errors.As(err, &slow) && slow.Timeout():
		e.Remedy = "Check the card's power, its network cable and the address; a firewall on the way may also keep it from answering"
	case errors.Is(err, io.EOF), errors.Is(err, syscall.ECONNRESET):
		e.Remedy = "Look whether another program or another server is connected to it: a card has one host at a time"
	default:
		e.Remedy = "Check the card's power, its network cable and the address"
	}
	return e
}

func (c *conn) remedyOfDevice(err error) string {
	place := c.place()
	var port *serial.PortError
	code := serial.PortErrorCode(-1)
	if errors.As(err, &port) {
		code = port.Code()
	}
	switch {
	case errors.Is(err, os.ErrNotExist), code == serial.PortNotFound:
		return "There is no " + place + ": check the cable and the card's power. The name may also have changed; names below /dev/serial/by-id stay the same"
	case errors.Is(err, os.ErrPermission), code == serial.PermissionDenied:
		return permission(place)
	case errors.Is(err, syscall.EBUSY), code == serial.PortBusy:
		return "Another program has " + place + " open: end it first"
	case code == serial.InvalidSerialPort, errors.Is(err, syscall.ENOTTY):
		return place + " is no serial device: correct the address"
	}
	return "Check the cable and the card's power, and that no other program has " + place + " open"
}

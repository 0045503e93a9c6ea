package emulator

import (
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// terminal is the card's end of a pseudo-terminal. It holds the host's end
// open as well: like a serial line it does not end when a host goes, and keeps
// its settings until the next one comes.
type terminal struct {
	*os.File
	host *os.File
}

func (t *terminal) Close() error { return errors.Join(t.File.Close(), t.host.Close()) }

// OpenPTY makes a pseudo-terminal in raw mode and returns the card's end and
// the path of the host's.
func OpenPTY() (card io.ReadWriteCloser, hostPath string, err error) {
	master, slave, err := pty.Open()
	if err != nil {
		return nil, "", fmt.Errorf("emulator: opening a pseudo-terminal: %w", err)
	}
	if master, err = waiting(master); err != nil {
		return nil, "", errors.Join(err, slave.Close())
	}
	t := &terminal{master, slave}
	if err := raw(slave); err != nil {
		return nil, "", errors.Join(fmt.Errorf("emulator: making %s raw: %w", slave.Name(), err), t.Close())
	}
	return t, slave.Name(), nil
}

// waiting is the same file with reads that Close ends: opening a
// pseudo-terminal leaves its end in the mode in which they go on. The file
// given is closed.
func waiting(f *os.File) (*os.File, error) {
	fd, err := unix.FcntlInt(f.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err = errors.Join(err, f.Close()); err == nil {
		if err = unix.SetNonblock(fd, true); err == nil {
			return os.NewFile(uintptr(fd), f.Name()), nil
		}
		err = errors.Join(err, unix.Close(fd))
	}
	return nil, fmt.Errorf("emulator: opening a pseudo-terminal: %w", err)
}

// raw has a terminal pass on every byte as it is: what cfmakeraw of termios(3)
// does.
func raw(f *os.File) error {
	conn, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var failed error
	err = conn.Control(func(fd uintptr) {
		var t *unix.Termios
		if t, failed = unix.IoctlGetTermios(int(fd), unix.TCGETS); failed != nil {
			return
		}
		t.Iflag &^= unix.IGNBRK | unix.BRKINT | unix.PARMRK | unix.ISTRIP | unix.INLCR | unix.IGNCR | unix.ICRNL | unix.IXON
		t.Oflag &^= unix.OPOST
		t.Lflag &^= unix.ECHO | unix.ECHONL | unix.ICANON | unix.ISIG | unix.IEXTEN
		t.Cflag = t.Cflag&^(unix.CSIZE|unix.PARENB) | unix.CS8
		t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
		failed = unix.IoctlSetTermios(int(fd), unix.TCSETS, t)
	})
	return errors.Join(err, failed)
}

package bench

import (
	"errors"
	"fmt"
	"maps"
	"net"
	"net/url"
	"slices"
	"strconv"
	"strings"
)

// Address is an address of a card, taken apart.
type Address struct {
	Network string // "tcp" or "serial"
	Place   string // host:port, or the path of the device
	Baud    int    // bits/s; of a serial line, as are the others
	Data    int
	Parity  string // none, even or odd
	Stop    int
}

// ParseAddress takes an address apart; see Connection.
func ParseAddress(text string) (Address, error) {
	u, err := url.Parse(strings.TrimSpace(text))
	if err != nil || (u.Scheme != "tcp" && u.Scheme != "serial") {
		return Address{}, errors.New("write tcp://host:port or serial:///dev/name?baud=115200")
	}
	a := Address{Network: u.Scheme}
	if u.Scheme == "tcp" {
		host, port, err := net.SplitHostPort(u.Host)
		n, numberErr := strconv.Atoi(port)
		if err != nil || host == "" || numberErr != nil || n < 1 || n > 65535 || u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.User != nil {
			return a, errors.New("write tcp://host:port")
		}
		a.Place = u.Host
		return a, nil
	}
	a.Place, a.Baud, a.Data, a.Parity, a.Stop = u.Path, 115200, 8, "none", 1
	if u.Host != "" || a.Place == "" || a.Place == "/" {
		return a, errors.New("write serial:///dev/name, with three slashes")
	}
	return a, a.line(u.Query())
}

// line reads the settings of a serial line.
func (a *Address) line(q url.Values) error {
	for _, name := range slices.Sorted(maps.Keys(q)) {
		value := q.Get(name)
		n, err := strconv.Atoi(value)
		ok := err == nil
		switch name {
		case "baud":
			a.Baud, ok = n, ok && n >= 300 && n <= 12_000_000
		case "data":
			a.Data, ok = n, ok && (n == 7 || n == 8)
		case "stop":
			a.Stop, ok = n, ok && (n == 1 || n == 2)
		case "parity":
			a.Parity, ok = value, slices.Contains([]string{"none", "even", "odd"}, value)
		default:
			return fmt.Errorf("%s is no setting of a serial line; baud, data, parity and stop are", name)
		}
		if !ok {
			return fmt.Errorf("%s cannot be %q", name, value)
		}
	}
	return nil
}

// CheckAddress says what is wrong with an address.
func CheckAddress(text string) error {
	_, err := ParseAddress(text)
	return err
}

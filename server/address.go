package main

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	"ohmkeep/store"
)

// defaultListen is the address that the server serves on where none is named.
const defaultListen = "127.0.0.1:8480"

// publicAddress returns the address that links of this server lead to, without
// a path: the one given, else one worked out from how and where it listens.
func publicAddress(given, scheme, listen string) (string, error) {
	if given == "" {
		name, _ := os.Hostname() // none is as good as an unknown one
		return scheme + "://" + reachable(listen, name, lookUp, interfaceAddresses()), nil
	}
	u, err := url.Parse(strings.TrimSuffix(given, "/"))
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" || u.Path != "" || u.RawQuery != "" || u.Fragment != "" || u.User != nil {
		return "", errors.New("-public takes the address that browsers use, such as https://lab.example:8480, without a path")
	}
	return u.Scheme + "://" + u.Host, nil
}

// addressFile is the file in the data directory that holds the address in links
// of the server's last start, for commands that make one beside it.
func addressFile(dir string) string { return filepath.Join(dir, "address") }

// keepAddress stores the address in links, readable by its owner alone. A stop
// in the middle leaves the one of before.
func keepAddress(dir, address string) error {
	return store.WriteWhole(addressFile(dir), []byte(address+"\n"))
}

// keptAddress returns the address in links of the server's last start; "" is one
// that kept none. A damaged file is an error that says what to do.
func keptAddress(dir string) (string, error) {
	data, err := os.ReadFile(addressFile(dir))
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	text := strings.TrimSpace(string(data))
	if err == nil && text == "" {
		err = errors.New("it is empty")
	}
	if err == nil {
		text, err = publicAddress(text, "", "")
	}
	if err != nil {
		return "", fmt.Errorf("%s does not hold the server's address; name it with -public: %w", addressFile(dir), err)
	}
	return text, nil
}

// reachable returns the host and port by which others reach a server that
// listens there: an address of loopback or of one interface as it is; of one
// that listens on every interface, its name where the network knows it, else
// its first address in the lab's network, else loopback.
func reachable(listen, name string, knows func(string) bool, own []netip.Addr) string {
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		return listen
	}
	ip, err := netip.ParseAddr(host)
	switch {
	case host != "" && (err != nil || !ip.IsUnspecified()):
		return net.JoinHostPort(host, port)
	case name != "" && name != "localhost" && knows(name):
		return net.JoinHostPort(strings.ToLower(name), port)
	}
	for _, a := range own {
		if a = a.Unmap(); a.Is4() && !a.IsLoopback() && !a.IsLinkLocalUnicast() {
			return net.JoinHostPort(a.String(), port)
		}
	}
	return net.JoinHostPort("localhost", port)
}

// lookUp reports whether a name leads to an address that is not loopback: one
// that only the machine itself knows would lead nobody here.
func lookUp(name string) bool {
	all, err := net.LookupIP(name)
	if err != nil {
		return false
	}
	for _, ip := range all {
		if !ip.IsLoopback() {
			return true
		}
	}
	return false
}

// interfaceAddresses returns the machine's own addresses.
func interfaceAddresses() (out []netip.Addr) {
	all, err := net.InterfaceAddrs()
	if err != nil {
		return nil
	}
	for _, a := range all {
		if p, err := netip.ParsePrefix(a.String()); err == nil {
			out = append(out, p.Addr())
		}
	}
	return out
}

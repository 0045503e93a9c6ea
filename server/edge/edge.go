// Package edge is what lies between the server and its clients: a certificate of
// the server's own, or a proxy that is named and speaks for them.
package edge

import (
	"context"
	"fmt"
	"net/http"
	"net/netip"
	"strings"
)

// Proxies are the addresses of the proxies that are believed, single ones and
// whole networks.
type Proxies []netip.Prefix

// ParseProxies reads addresses and networks (CIDR) that are separated by commas.
// An empty text is none.
func ParseProxies(text string) (Proxies, error) {
	var out Proxies
	for part := range strings.SplitSeq(text, ",") {
		part = strings.TrimSpace(part)
		if part == "" {
			continue
		}
		prefix, err := netip.ParsePrefix(part)
		if err != nil {
			address, of := netip.ParseAddr(part)
			if of != nil {
				return nil, fmt.Errorf("%q is neither an address nor a network such as 192.0.2.0/24", part)
			}
			prefix = netip.PrefixFrom(address.Unmap(), address.Unmap().BitLen())
		}
		out = append(out, prefix.Masked())
	}
	return out, nil
}

// has reports whether a request came from one of the proxies, by the address at
// the other end of its connection.
func (p Proxies) has(remote string) bool {
	at, err := netip.ParseAddrPort(remote)
	if err != nil {
		return false
	}
	address := at.Addr().Unmap().WithZone("")
	for _, prefix := range p {
		if prefix.Contains(address) {
			return true
		}
	}
	return false
}

type secureKey struct{}

// Secure reports whether a client speaks TLS: with this server, or with a proxy
// that is believed.
func Secure(r *http.Request) bool {
	said, _ := r.Context().Value(secureKey{}).(bool)
	return said || r.TLS != nil
}

// forwarded are the headers in which a proxy says what its client asked for. They
// are in general use; RFC 7239 has one header in their place, which is not read.
const (
	forwardedFor   = "X-Forwarded-For"
	forwardedHost  = "X-Forwarded-Host"
	forwardedProto = "X-Forwarded-Proto"
)

// Forwarded puts in place what a proxy says of its client: address, host and
// whether it speaks TLS. Of several values the last counts, which the proxy itself
// has added. From anybody else the headers are taken off: nobody may say for
// themselves that they come over TLS or from another address.
func (p Proxies) Forwarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		believed := p.has(r.RemoteAddr)
		client, host, proto := last(r, forwardedFor), last(r, forwardedHost), last(r, forwardedProto)
		for _, name := range []string{forwardedFor, forwardedHost, forwardedProto, "Forwarded"} {
			r.Header.Del(name)
		}
		if believed {
			r = r.WithContext(context.WithValue(r.Context(), secureKey{}, strings.EqualFold(proto, "https")))
			if host != "" {
				r.Host = host
			}
			if address, err := netip.ParseAddr(strings.Trim(client, "[]")); err == nil {
				r.RemoteAddr = netip.AddrPortFrom(address, 0).String()
			}
		}
		next.ServeHTTP(w, r)
	})
}

// last is the last of the values that a header has, in one line or in several.
func last(r *http.Request, name string) string {
	lines := r.Header.Values(name)
	if len(lines) == 0 {
		return ""
	}
	line := lines[len(lines)-1]
	if i := strings.LastIndexByte(line, ','); i >= 0 {
		line = line[i+1:]
	}
	return strings.TrimSpace(line)
}

// strictTransport is how long a browser is to ask for this host over TLS alone:
// half a year, in seconds (RFC 6797). Other hosts of the domain are not spoken for.
const strictTransport = "max-age=15552000"

// Strict tells browsers that came over TLS to come so from now on.
func Strict(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if Secure(r) {
			w.Header().Set("Strict-Transport-Security", strictTransport)
		}
		next.ServeHTTP(w, r)
	})
}

package edge

import (
	"crypto/tls"
	"net/http"
	"net/http/httptest"
	"testing"
)

// seen is what a handler behind Forwarded sees of a request.
type seen struct {
	host, remote string
	secure       bool
	header       http.Header
}

func through(p Proxies, r *http.Request) (out seen) {
	p.Forwarded(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		out = seen{r.Host, r.RemoteAddr, Secure(r), r.Header}
	})).ServeHTTP(httptest.NewRecorder(), r)
	return out
}

func proxies(t testing.TB, text string) Proxies {
	t.Helper()
	p, err := ParseProxies(text)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestForwarded: a named proxy is believed, by its own word alone, and nobody else.
func TestForwarded(t *testing.T) {
	said := http.Header{"X-Forwarded-For": {"203.0.113.9, 198.51.100.7"}, "X-Forwarded-Host": {"evil.example", "bench.lab.example"}, "X-Forwarded-Proto": {"http, https"}}
	for _, c := range []struct {
		name, proxies, from string
		header              http.Header
		want                seen
	}{
		{"its own word is the last", "192.0.2.1", "192.0.2.1:555", said, seen{host: "bench.lab.example", remote: "198.51.100.7:0", secure: true}},
		{"of a network", "10.0.0.0/8,192.0.2.0/24", "192.0.2.77:555", said, seen{host: "bench.lab.example", remote: "198.51.100.7:0", secure: true}},
		{"version 4 over a socket of version 6", "192.0.2.1", "[::ffff:192.0.2.1]:555", said, seen{host: "bench.lab.example", remote: "198.51.100.7:0", secure: true}},
		{"version 6", "2001:db8::/32", "[2001:db8::1%eth0]:555", said, seen{host: "bench.lab.example", remote: "198.51.100.7:0", secure: true}},
		{"a stranger", "192.0.2.1", "192.0.2.2:555", said, seen{host: "plain.example", remote: "192.0.2.2:555"}},
		{"nobody is named", "", "127.0.0.1:555", said, seen{host: "plain.example", remote: "127.0.0.1:555"}},
		{"a proxy that says nothing", "192.0.2.1", "192.0.2.1:555", nil, seen{host: "plain.example", remote: "192.0.2.1:555"}},
		{"a client that speaks no TLS", "192.0.2.1", "192.0.2.1:555", http.Header{"X-Forwarded-Proto": {"http"}}, seen{host: "plain.example", remote: "192.0.2.1:555"}},
		{"nonsense", "192.0.2.1", "192.0.2.1:555", http.Header{"X-Forwarded-For": {"unknown"}, "X-Forwarded-Proto": {"https://"}}, seen{host: "plain.example", remote: "192.0.2.1:555"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := httptest.NewRequest(http.MethodGet, "http://plain.example/", nil)
			r.RemoteAddr, r.Header = c.from, c.header.Clone()
			if r.Header == nil {
				r.Header = http.Header{}
			}
			r.Header.Set("Forwarded", "proto=https")
			got := through(proxies(t, c.proxies), r)
			if got.host != c.want.host || got.remote != c.want.remote || got.secure != c.want.secure {
				t.Errorf("host %q, from %q, TLS %v; want %q, %q, %v", got.host, got.remote, got.secure, c.want.host, c.want.remote, c.want.secure)
			}
			if len(got.header) > 0 {
				t.Errorf("headers are left: %v", got.header)
			}
		})
	}
}

// TestParseProxies: what is no address is refused with its text.
func TestParseProxies(t *testing.T) {
	if got := proxies(t, " 192.0.2.1 , 2001:db8::1,10.1.2.3/8,"); len(got) != 3 || got[2].String() != "10.0.0.0/8" {
		t.Errorf("%v", got)
	}
	for _, bad := range []string{"proxy.lab.example", "192.0.2.1:80", "10.0.0.0/33", "*"} {
		if got, err := ParseProxies(bad); err == nil {
			t.Errorf("%q is %v", bad, got)
		}
	}
}

// TestStrict: a browser that came over TLS is told to come so, and no other.
func TestStrict(t *testing.T) {
	for _, over := range []bool{false, true} {
		r, w := httptest.NewRequest(http.MethodGet, "/", nil), httptest.NewRecorder()
		if over {
			r.TLS = &tls.ConnectionState{}
		}
		Strict(http.NotFoundHandler()).ServeHTTP(w, r)
		if got := w.Header().Get("Strict-Transport-Security"); (got != "") != over {
			t.Errorf("over TLS %v: %q", over, got)
		}
	}
}

// FuzzForwarded: a stranger changes nothing, whatever the headers are.
func FuzzForwarded(f *testing.F) {
	f.Add("192.0.2.1:1", "https", "a.example", "203.0.113.9")
	f.Add("192.0.2.2:1", "https,http", "a.example,", "[::1]")
	f.Add("x", ",", "", "::1%25")
	f.Fuzz(func(t *testing.T, from, proto, host, client string) {
		r := httptest.NewRequest(http.MethodGet, "http://plain.example/", nil)
		r.RemoteAddr = from
		r.Header = http.Header{forwardedProto: {proto}, forwardedHost: {host}, forwardedFor: {client}}
		named := proxies(t, "192.0.2.1")
		got := through(named, r)
		if !named.has(from) && (got.secure || got.host != "plain.example" || got.remote != from) {
			t.Errorf("from %q: %+v", from, got)
		}
	})
}

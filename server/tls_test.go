package main

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"ohmkeep/server/edge"
	"ohmkeep/server/testkit"
)

// overTLS is a client that trusts these certificates and keeps cookies.
func overTLS(t testing.TB, trusted *x509.CertPool) *http.Client {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	c := &http.Client{Jar: jar, Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: trusted}}}
	t.Cleanup(c.CloseIdleConnections)
	return c
}

// signsIn posts the sign-in form at an address and returns the cookie that comes.
func signsIn(t *testing.T, c *http.Client, base, key string) *http.Cookie {
	t.Helper()
	c.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, base+"/sign-in", strings.NewReader(url.Values{"key": {key}, "name": {"Ada"}}.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", base)
	resp, err := c.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusSeeOther || len(resp.Cookies()) != 1 {
		text, _ := io.ReadAll(resp.Body)
		t.Fatalf("sign-in: %s, %v\n%.500s", resp.Status, resp.Cookies(), text)
	}
	return resp.Cookies()[0]
}

// TestOwnCertificate: with a certificate of its own the program speaks TLS alone,
// pages and live socket; cookies are for TLS, browsers are told to stay with it, and
// a renewed certificate needs no restart.
func TestOwnCertificate(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	certFile, keyFile := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	trusted := testkit.Certificate(t, certFile, keyFile, 1, time.Now().Add(time.Hour))
	p := startProgramWith(t, "", options{Listen: "127.0.0.1:0", TLSCert: certFile, TLSKey: keyFile})
	if !strings.HasPrefix(p.link(), "https://") {
		t.Errorf("the link is %s", p.link())
	}
	c := overTLS(t, trusted)
	cookie := signsIn(t, c, p.base, p.key)
	if !cookie.Secure || !cookie.HttpOnly {
		t.Errorf("the cookie is %s", cookie)
	}
	resp, err := c.Get(p.base + "/bench")
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusOK || resp.Header.Get("Strict-Transport-Security") == "" {
		t.Errorf("%s, %v", resp.Status, resp.Header)
	}
	invite, err := http.NewRequestWithContext(t.Context(), http.MethodPost, p.base+"/api/v1/invitations", strings.NewReader(`{"role":"viewer"}`))
	if err != nil {
		t.Fatal(err)
	}
	invite.Header.Set("Content-Type", "application/json")
	invite.Header.Set("Origin", p.base)
	if resp, err = c.Do(invite); err != nil {
		t.Fatal(err)
	}
	var made struct{ Link string }
	err = json.NewDecoder(resp.Body).Decode(&made)
	resp.Body.Close()
	if err != nil || !strings.HasPrefix(made.Link, p.base+"/") {
		t.Errorf("%s: an invitation leads to %q, %v", resp.Status, made.Link, err)
	}
	dialer := websocket.Dialer{TLSClientConfig: &tls.Config{RootCAs: trusted}}
	socket, _, err := dialer.DialContext(t.Context(), "wss"+strings.TrimPrefix(p.base, "https")+"/live",
		http.Header{"Cookie": {cookie.Name + "=" + cookie.Value}, "Origin": {p.base}})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := socket.ReadMessage(); err != nil {
		t.Errorf("the live socket: %v", err)
	}
	socket.Close()
	if resp, err := http.Get("http" + strings.TrimPrefix(p.base, "https") + "/health"); err == nil {
		resp.Body.Close()
		if resp.StatusCode == http.StatusOK {
			t.Error("it answers without TLS too")
		}
	}
}

// TestBehindAProxy: what a named proxy says of its clients holds: cookies for TLS,
// strict transport. Whoever comes past it is not believed.
func TestBehindAProxy(t *testing.T) {
	t.Parallel()
	named, err := edge.ParseProxies("127.0.0.1")
	if err != nil {
		t.Fatal(err)
	}
	for _, believed := range []bool{true, false} {
		o := options{Listen: "127.0.0.1:0", Demo: true, Hosts: "bench.lab.example"}
		if believed {
			o.Proxies = named
		}
		p := startProgramWith(t, "", o)
		to, err := url.Parse(p.base)
		if err != nil {
			t.Fatal(err)
		}
		proxy := httptest.NewTLSServer(&httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(to)
			r.SetXForwarded()
			r.Out.Header.Set("X-Forwarded-Host", "bench.lab.example")
		}})
		c := proxy.Client()
		signed := c
		r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, proxy.URL+"/sign-in", strings.NewReader(url.Values{"key": {p.key}, "name": {"Ada"}}.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "same-origin")
		signed.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
		resp, err := signed.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != http.StatusSeeOther || len(resp.Cookies()) != 1 {
			t.Fatalf("sign-in: %s", resp.Status)
		}
		if got := resp.Cookies()[0].Secure; got != believed {
			t.Errorf("proxy named %v: the cookie is %s", believed, resp.Cookies()[0])
		}
		if got := resp.Header.Get("Strict-Transport-Security") != ""; got != believed {
			t.Errorf("proxy named %v: strict transport %v", believed, got)
		}
		proxy.Close()
	}
}

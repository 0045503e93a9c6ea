package edge

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"log/slog"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// issue writes a certificate that signs itself, and its key.
func issue(t testing.TB, certFile, keyFile string, serial int64, ends time.Time) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "localhost"}, DNSNames: []string{"localhost"},
		NotBefore: ends.Add(-90 * 24 * time.Hour), NotAfter: ends}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{certFile: {Type: "CERTIFICATE", Bytes: der}, keyFile: {Type: "PRIVATE KEY", Bytes: private}} {
		if err := os.WriteFile(name, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// TestRenewedCertificate: one that is renewed is used without a restart; one that
// is broken is not, is told of once, and is mended by the next.
func TestRenewedCertificate(t *testing.T) {
	dir := t.TempDir()
	certFile, keyFile := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	now := time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)
	first, second := now.Add(24*time.Hour), now.Add(90*24*time.Hour)
	var log bytes.Buffer
	if _, err := OpenCertificate(certFile, keyFile, slog.New(slog.NewTextHandler(&log, nil))); err == nil {
		t.Fatal("a certificate that is not there was opened")
	}
	issue(t, certFile, keyFile, 1, first)
	c, err := OpenCertificate(certFile, keyFile, slog.New(slog.NewTextHandler(&log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	c.now = func() time.Time { return now }
	c.looked = now
	serial := func() int64 {
		t.Helper()
		now = now.Add(lookEvery)
		got, err := c.Config().GetCertificate(nil)
		if err != nil {
			t.Fatal(err)
		}
		return got.Leaf.SerialNumber.Int64()
	}
	if got := serial(); got != 1 {
		t.Errorf("certificate %d", got)
	}
	issue(t, certFile, keyFile, 2, second)
	touch(t, certFile, now)
	if got := serial(); got != 2 {
		t.Errorf("after it was renewed: certificate %d", got)
	}
	if at, trouble := c.Ends(); !at.Equal(second) || trouble != "" {
		t.Errorf("ends %v, %q", at, trouble)
	}
	if err := os.WriteFile(keyFile, []byte("half a"), 0o600); err != nil {
		t.Fatal(err)
	}
	log.Reset()
	for range 3 {
		if got := serial(); got != 2 {
			t.Errorf("with a broken key: certificate %d", got)
		}
	}
	if _, trouble := c.Ends(); trouble == "" || strings.Count(log.String(), "level=ERROR") != 1 {
		t.Errorf("trouble %q, log %s", trouble, log.String())
	}
	issue(t, certFile, keyFile, 3, second)
	if got := serial(); got != 3 {
		t.Errorf("after it was mended: certificate %d", got)
	}
	if _, trouble := c.Ends(); trouble != "" {
		t.Errorf("still: %s", trouble)
	}
}

// touch gives a file a time of its own: the clock of the file system may not have
// moved since the one before was written.
func touch(t *testing.T, name string, at time.Time) {
	t.Helper()
	if err := os.Chtimes(name, at, at); err != nil {
		t.Fatal(err)
	}
}

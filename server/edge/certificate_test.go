package edge

import (
	"bytes"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/testkit"
)

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
	testkit.Certificate(t, certFile, keyFile, 1, first)
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
	testkit.Certificate(t, certFile, keyFile, 2, second)
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
	testkit.Certificate(t, certFile, keyFile, 3, second)
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

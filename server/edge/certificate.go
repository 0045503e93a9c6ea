package edge

import (
	"crypto/tls"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"
)

// lookEvery is the shortest time between two looks at the files of a certificate.
const lookEvery = 5 * time.Second

// Certificate is the server's certificate with its key, in two PEM files. It is
// read again when the files change, so that a renewed one needs no restart. Safe
// for concurrent use.
type Certificate struct {
	certFile, keyFile string
	log               *slog.Logger
	now               func() time.Time

	mu      sync.Mutex
	held    *tls.Certificate
	of      [2]stamp // of the files that were read last, also in vain
	looked  time.Time
	trouble string // why the files that are there now are not used; "" where they are
}

// stamp tells a file from the one that was there before.
type stamp struct {
	size int64
	at   time.Time
}

// OpenCertificate reads a certificate and its key. Files that do not hold one, or
// not one that fit together, are an error.
func OpenCertificate(certFile, keyFile string, log *slog.Logger) (*Certificate, error) {
	c := &Certificate{certFile: certFile, keyFile: keyFile, log: log, now: time.Now}
	c.of = c.stamps()
	pair, err := tls.LoadX509KeyPair(certFile, keyFile)
	if err != nil {
		return nil, fmt.Errorf("certificate: %w", err)
	}
	c.held, c.looked = &pair, c.now()
	return c, nil
}

// Config is the TLS configuration of a server with this certificate.
func (c *Certificate) Config() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.current(), nil }}
}

// Ends is when the certificate that is in use ends, and what keeps a newer one
// from being used, if anything does.
func (c *Certificate) Ends() (at time.Time, trouble string) {
	held := c.current()
	c.mu.Lock()
	defer c.mu.Unlock()
	return held.Leaf.NotAfter, c.trouble
}

// current is the certificate of the files, or the one before where they are not
// sound: clients go on being served while somebody mends them.
func (c *Certificate) current() *tls.Certificate {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.now()
	if now.Sub(c.looked) < lookEvery {
		return c.held
	}
	c.looked = now
	of := c.stamps()
	if of == c.of {
		return c.held
	}
	c.of = of
	pair, err := tls.LoadX509KeyPair(c.certFile, c.keyFile)
	if err != nil {
		c.trouble = err.Error()
		c.log.Error("the certificate has changed and cannot be used; the one before is in use still", "err", err)
		return c.held
	}
	c.held, c.trouble = &pair, ""
	c.log.Info("the certificate was read again", "until", pair.Leaf.NotAfter)
	return c.held
}

func (c *Certificate) stamps() (out [2]stamp) {
	for i, name := range []string{c.certFile, c.keyFile} {
		if info, err := os.Stat(name); err == nil {
			out[i] = stamp{info.Size(), info.ModTime()}
		}
	}
	return out
}

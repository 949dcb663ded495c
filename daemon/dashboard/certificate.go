package dashboard

import (
	"crypto/tls"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"
)

// certificate is the server's, read anew once its files have changed: a renewed one needs
// no restart.
type certificate struct {
	certFile, keyFile string
	logger            *slog.Logger

	mu     sync.Mutex
	looked time.Time
	stamp  [2]time.Time
	pair   *tls.Certificate
}

// lookEvery is how often the files are looked at, at most.
const lookEvery = 10 * time.Second

// TLS returns settings for a server with the certificate in two PEM files: TLS 1.2 and
// above. The certificate is read anew when the files have changed; one that cannot be
// used is told to the logger, and the one before stays.
func TLS(certFile, keyFile string, logger *slog.Logger) (*tls.Config, error) {
	c := &certificate{certFile: certFile, keyFile: keyFile, logger: logger, looked: time.Now()}
	if err := c.read(); err != nil {
		return nil, err
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: c.get, NextProtos: []string{"h2", "http/1.1"}}, nil
}

// get is asked at every handshake.
func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if time.Since(c.looked) >= lookEvery {
		c.looked = time.Now()
		if err := c.read(); err != nil {
			c.logger.Warn("the certificate before is used further", "err", err)
		}
	}
	return c.pair, nil
}

// read reads the files if they have changed. One of them alone may have: whoever renews
// them writes one after the other, and the pair fits only at the end.
func (c *certificate) read() error {
	var stamp [2]time.Time
	for i, name := range []string{c.certFile, c.keyFile} {
		info, err := os.Stat(name)
		if err != nil {
			return fmt.Errorf("read the certificate: %w", err)
		}
		stamp[i] = info.ModTime()
	}
	if stamp == c.stamp {
		return nil
	}
	pair, err := tls.LoadX509KeyPair(c.certFile, c.keyFile)
	if err != nil {
		return fmt.Errorf("read the certificate: %w", err)
	}
	c.pair, c.stamp = &pair, stamp
	return nil
}

package dashboard

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// writePair writes a certificate of a number, for dash.shop.example, and its key.
func writePair(t *testing.T, dir string, number int64) (certFile, keyFile string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(number), DNSNames: []string{"dash.shop.example"}, NotAfter: time.Now().Add(time.Hour)}
	cert, err := x509.CreateCertificate(rand.Reader, c, c, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	certFile, keyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	write(t, certFile, "CERTIFICATE", cert, number)
	write(t, keyFile, "PRIVATE KEY", secret, number)
	return certFile, keyFile
}

// write writes a file at an hour of its own: clocks of file systems may be coarse.
func write(t *testing.T, name, kind string, text []byte, hour int64) {
	t.Helper()
	if err := os.WriteFile(name, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: text}), 0o600); err != nil {
		t.Fatal(err)
	}
	at := time.Unix(3600*hour, 0)
	if err := os.Chtimes(name, at, at); err != nil {
		t.Fatal(err)
	}
}

func TestARenewedCertificateNeedsNoRestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		certFile, keyFile := writePair(t, dir, 1)
		var log strings.Builder
		c, err := TLS(certFile, keyFile, slog.New(slog.NewTextHandler(&log, nil)))
		if err != nil {
			t.Fatal(err)
		}
		is := func(when string, want int64) {
			t.Helper()
			pair, err := c.GetCertificate(nil)
			if err != nil || pair.Leaf.SerialNumber.Int64() != want {
				t.Errorf("%s: number %v, %v, want %d", when, pair.Leaf.SerialNumber, err, want)
			}
		}
		is("at first", 1)
		writePair(t, dir, 2)
		is("at once", 1)
		<-time.After(lookEvery) // simulated
		is("soon", 2)
		write(t, certFile, "CERTIFICATE", []byte("half of one"), 3)
		<-time.After(lookEvery)
		is("while it is being written", 2)
		if !strings.Contains(log.String(), "certificate") {
			t.Errorf("the log says %q", log.String())
		}
		writePair(t, dir, 4)
		<-time.After(lookEvery)
		is("once it is written", 4)
		if err := os.Remove(keyFile); err != nil {
			t.Fatal(err)
		}
		<-time.After(lookEvery)
		is("without its key", 4)
	})
	if _, err := TLS("none", "none", slog.New(slog.DiscardHandler)); err == nil {
		t.Error("a file that is not there is taken")
	}
}

func TestOverTLS(t *testing.T) {
	certFile, keyFile := writePair(t, t.TempDir(), 1)
	settings, err := TLS(certFile, keyFile, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := Server(newPages(t, Options{State: newState(t), Hosts: []string{"dash.shop.example"}, Secure: true}))
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(tls.NewListener(l, settings)) }()
	defer func() { srv.Close(); <-ended }()
	text, err := os.ReadFile(certFile)
	if err != nil {
		t.Fatal(err)
	}
	trusted := x509.NewCertPool()
	trusted.AppendCertsFromPEM(text)
	ask := func(c *tls.Config) (*http.Response, error) {
		c.RootCAs, c.ServerName = trusted, "dash.shop.example"
		tr := &http.Transport{TLSClientConfig: c, ForceAttemptHTTP2: true}
		defer tr.CloseIdleConnections()
		r, _ := http.NewRequestWithContext(t.Context(), http.MethodGet, "https://"+l.Addr().String()+"/health", nil)
		r.Host = "dash.shop.example"
		return tr.RoundTrip(r)
	}
	w, err := ask(&tls.Config{})
	if err != nil {
		t.Fatal(err)
	}
	w.Body.Close()
	if w.StatusCode != http.StatusOK || w.ProtoMajor != 2 || w.TLS.Version < tls.VersionTLS13 || w.Header.Get("Strict-Transport-Security") == "" {
		t.Errorf("%d over %s, TLS %x", w.StatusCode, w.Proto, w.TLS.Version)
	}
	if _, err := ask(&tls.Config{MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11}); err == nil || !strings.Contains(err.Error(), "protocol version") {
		t.Errorf("TLS 1.1: %v", err)
	}
}

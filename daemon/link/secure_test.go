package link

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"keyturn/daemon/link/linktest"
	"keyturn/daemon/outbox"
	"keyturn/protocol"
)

// authority makes certificates, for tests.
type authority struct {
	t    *testing.T
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	n    int64
}

func newAuthority(t *testing.T, dir, name string) *authority {
	a := &authority{t: t, dir: dir}
	a.key = newKey(t)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &a.key.PublicKey, a.key)
	if err != nil {
		t.Fatal(err)
	}
	if a.cert, err = x509.ParseCertificate(der); err != nil {
		t.Fatal(err)
	}
	a.write(name+".crt", "CERTIFICATE", der)
	return a
}

func newKey(t *testing.T) *ecdsa.PrivateKey {
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func (a *authority) write(name, kind string, der []byte) string {
	path := filepath.Join(a.dir, name)
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o644); err != nil {
		a.t.Fatal(err)
	}
	return path
}

// issue writes a certificate and its key.
func (a *authority) issue(name string) (cert, key string) {
	k := newKey(a.t)
	a.n++
	template := &x509.Certificate{SerialNumber: big.NewInt(100 + a.n), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}}
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, &k.PublicKey, a.key)
	if err != nil {
		a.t.Fatal(err)
	}
	kder, err := x509.MarshalECPrivateKey(k)
	if err != nil {
		a.t.Fatal(err)
	}
	return a.write(name+".crt", "CERTIFICATE", der), a.write(name+".key", "EC PRIVATE KEY", kder)
}

// try connects once and says hello.
func try(t *testing.T, b Broker) error {
	t.Helper()
	l, err := New(Options{Broker: b, Root: "keyturn", Bench: "b", Outbox: outbox.NewMemory(outbox.MemoryOptions{Stream: "s"}), Receipts: true,
		Presence: func(s protocol.PresenceState) ([]byte, error) {
			return protocol.Encode(&protocol.Presence{Header: head(1), AsOf: protocol.AsOf{Stream: "s"}, State: s})
		}})
	if err != nil {
		return err
	}
	ctx, stop := context.WithTimeout(t.Context(), 10*time.Second)
	defer stop()
	done := make(chan error, 1)
	go func() {
		_, err := l.session(ctx)
		done <- err
	}()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case err := <-done:
			return err
		case <-tick.C:
			if l.Counts().Connected {
				stop()
				return <-done
			}
		}
	}
}

// Over TLS, a real broker lets in who has a certificate of the shop's authority and
// nobody else; a broker of another authority is not spoken to.
func TestTLSWithClientCertificate(t *testing.T) {
	dir := t.TempDir()
	ca, other := newAuthority(t, dir, "shop"), newAuthority(t, dir, "stranger")
	serverCert, serverKey := ca.issue("server")
	cert, key := ca.issue("b")
	strangerCert, strangerKey := other.issue("thief")
	b := linktest.Start(t, "cafile "+dir+"/shop.crt\ncertfile "+serverCert+"\nkeyfile "+serverKey+"\nrequire_certificate true\nuse_identity_as_username true\n")
	good := Broker{URL: "ssl://" + b.Address(), ClientID: "keyturnd-b", CAFile: dir + "/shop.crt", CertFile: cert, KeyFile: key}
	if err := try(t, good); err != nil {
		t.Errorf("with its certificate: %v", err)
	}
	for name, change := range map[string]func(*Broker){
		"without a certificate":       func(b *Broker) { b.CertFile, b.KeyFile = "", "" },
		"with a stranger's":           func(b *Broker) { b.CertFile, b.KeyFile = strangerCert, strangerKey },
		"a broker that is a stranger": func(b *Broker) { b.CAFile = dir + "/stranger.crt" },
		"trusting the system's alone": func(b *Broker) { b.CAFile = "" },
		"a file that is not there":    func(b *Broker) { b.CAFile = dir + "/none.crt" },
		"a file that is none":         func(b *Broker) { b.CAFile = key },
	} {
		b := good
		change(&b)
		if err := try(t, b); err == nil {
			t.Errorf("%s: it connects", name)
		} else {
			t.Logf("%s: %v", name, err)
		}
	}
}

// By password, from a file that may be renewed meanwhile.
func TestPasswordFromAFile(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	passwords := filepath.Join(dir, "passwords")
	linktest.Passwords(t, passwords, "plain words", "bench")
	b := linktest.Start(t, "password_file "+passwords+"\n")
	good := Broker{URL: b.URL(), ClientID: "keyturnd-b", Username: "bench", PasswordFile: write("secret", "plain words\n")}
	if err := try(t, good); err != nil {
		t.Errorf("with its password: %v", err)
	}
	write("secret", "other words\n")
	if err := try(t, good); err == nil || !strings.Contains(err.Error(), "not Authorized") {
		t.Errorf("with another password: %v", err)
	}
	write("secret", "plain words\n")
	if err := try(t, good); err != nil {
		t.Errorf("with its password again: %v", err)
	}
}

package link

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net/url"
	"os"
	"slices"
	"strings"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// Broker says where a broker is and who speaks to it. Secrets are named by their
// files, which are read at each connect: a renewed one needs no restart.
type Broker struct {
	// URL is tcp://host:port, or ssl://host:port for TLS.
	URL string
	// ClientID must be the only one of its kind at the broker.
	ClientID string
	// Username and PasswordFile log in by password; a newline at the end of the file
	// is not part of it.
	Username, PasswordFile string
	// CAFile holds the certificates the broker's must be signed by; empty takes the
	// system's. CertFile and KeyFile log in by a certificate.
	CAFile, CertFile, KeyFile string
}

// secureSchemes are those of URLs that mean TLS.
var secureSchemes = []string{"ssl", "tls", "mqtts", "wss"}

// Secure reports whether the connection is encrypted.
func (b Broker) Secure() bool {
	u, err := url.Parse(b.URL)
	return err == nil && slices.Contains(secureSchemes, u.Scheme)
}

// check returns what is wrong with the settings.
func (b Broker) check() error {
	u, err := url.Parse(b.URL)
	switch {
	case strings.Contains(b.URL, "@"): // before anything quotes it
		return errors.New("broker: a name or password in the URL ends up in logs; write username and password_file")
	case err != nil || u.Host == "":
		return fmt.Errorf("broker %q is no URL like tcp://host:1883", b.URL)
	case (b.CAFile != "" || b.CertFile != "" || b.KeyFile != "") && !b.Secure():
		return fmt.Errorf("broker %s: certificates are for TLS; write ssl:// instead of %s://", b.URL, u.Scheme)
	case (b.CertFile == "") != (b.KeyFile == ""):
		return fmt.Errorf("broker %s: certificate and key go together", b.URL)
	case b.PasswordFile != "" && b.Username == "":
		return fmt.Errorf("broker %s: a password without a user name", b.URL)
	}
	return nil
}

// options are the settings every connection of ours has: the library neither
// reconnects nor keeps a session; that is done here.
func (b Broker) options() (*mqtt.ClientOptions, error) {
	o := mqtt.NewClientOptions().AddBroker(b.URL).SetClientID(b.ClientID)
	o.SetAutoReconnect(false).SetConnectRetry(false).SetCleanSession(true).SetProtocolVersion(4)
	o.SetOrderMatters(false).SetKeepAlive(keepAlive).SetPingTimeout(pingTimeout)
	o.SetConnectTimeout(connectTimeout).SetWriteTimeout(writeTimeout)
	o.SetDefaultPublishHandler(func(mqtt.Client, mqtt.Message) {})
	if b.Username != "" {
		o.SetUsername(b.Username)
	}
	if b.PasswordFile != "" {
		text, err := os.ReadFile(b.PasswordFile)
		if err != nil {
			return nil, fmt.Errorf("read the password: %w", err)
		}
		o.SetPassword(strings.TrimRight(string(text), "\r\n"))
	}
	if b.Secure() {
		c, err := b.tls()
		if err != nil {
			return nil, err
		}
		o.SetTLSConfig(c)
	}
	return o, nil
}

func (b Broker) tls() (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if b.CAFile != "" {
		text, err := os.ReadFile(b.CAFile)
		if err != nil {
			return nil, fmt.Errorf("read the certificates to trust: %w", err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(text) {
			return nil, fmt.Errorf("read the certificates to trust: %s holds none in PEM", b.CAFile)
		}
	}
	if b.CertFile != "" {
		own, err := tls.LoadX509KeyPair(b.CertFile, b.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("read the bench's certificate and key: %w", err)
		}
		c.Certificates = []tls.Certificate{own}
	}
	return c, nil
}

package main

import (
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"

	"keyturn/daemon/dashboard"
)

// door is where a dashboard is to be heard, and how.
type door struct {
	listen            string
	hosts             []string
	certFile, keyFile string
	proxy             string
}

// heard is a door that was opened.
type heard struct {
	net.Listener
	hosts []string
	proxy netip.Addr // not valid: there is none
	// secure says that browsers come over TLS only; open that only who sits at the machine
	// comes at all, so that he need not be asked who he is.
	secure, open bool
	url          string
}

// open checks that a door is safe, and opens it.
func (d door) open(logger *slog.Logger) (h heard, err error) {
	local, err := d.local()
	if err != nil {
		return heard{}, err
	}
	if d.proxy != "" {
		if h.proxy, err = netip.ParseAddr(d.proxy); err != nil {
			return heard{}, fmt.Errorf("--behind-proxy %q: want the address that the proxy asks from, like 127.0.0.1", d.proxy)
		}
	}
	h.open, h.secure = local && d.proxy == "", d.certFile != "" || d.proxy != ""
	if err := d.check(h); err != nil {
		return heard{}, err
	}
	var settings *tls.Config
	if d.certFile != "" {
		if settings, err = dashboard.TLS(d.certFile, d.keyFile, logger); err != nil {
			return heard{}, err
		}
	}
	if h.Listener, err = net.Listen("tcp", d.listen); err != nil {
		return heard{}, fmt.Errorf("listen: %w", err)
	}
	h.hosts, h.url = d.hosts, d.url(h)
	if h.open {
		h.hosts = append(dashboard.Loopback(), d.hosts...)
	}
	if settings != nil {
		h.Listener = tls.NewListener(h.Listener, settings)
	}
	return h, nil
}

// local reports whether only this machine can reach the address.
func (d door) local() (bool, error) {
	host, _, err := net.SplitHostPort(d.listen)
	if err != nil {
		return false, fmt.Errorf("--listen %q: want an address and a port, like 127.0.0.1:8733, or :8733 for all of this machine's", d.listen)
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback(), nil
}

// check says what makes a door unsafe, and what to do about it.
func (d door) check(h heard) error {
	switch {
	case (d.certFile == "") != (d.keyFile == ""):
		return errors.New("--tls-cert and --tls-key go together")
	case !h.open && !h.secure:
		return fmt.Errorf("--listen %s is heard beyond this machine, where passwords want TLS: give --tls-cert and --tls-key, or --behind-proxy ADDRESS if a proxy there does it", d.listen)
	case !h.open && len(d.hosts) == 0:
		return errors.New("say with --host NAME under which name browsers ask for the pages, like --host dashboard.shop.example: under any other they are refused")
	}
	for _, name := range d.hosts {
		if _, _, err := net.SplitHostPort(name); err == nil || name == "" {
			return fmt.Errorf("--host %q: want a name without port", name)
		}
	}
	return nil
}

// url is where a browser finds the pages.
func (d door) url(h heard) string {
	_, port, _ := net.SplitHostPort(h.Addr().String()) // net made it
	switch {
	case h.proxy.IsValid():
		return "https://" + d.hosts[0] + "/"
	case h.open && !h.secure:
		return "http://" + h.Addr().String() + "/"
	case len(d.hosts) > 0:
		return "https://" + net.JoinHostPort(d.hosts[0], port) + "/"
	}
	return "https://" + h.Addr().String() + "/"
}

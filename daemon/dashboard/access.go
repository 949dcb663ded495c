package dashboard

import (
	"context"
	"errors"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"

	"keyturn/daemon/dashboard/access"
)

// policy lets a page load what is ours and nothing else. Neither a script nor a style
// in the page itself runs, so that a text that slipped through would do nothing.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// hstsFor is for how long a browser asks over TLS only (RFC 6797): a year.
const hstsFor = "max-age=31536000"

// urlMax is the longest address that is read; ours are far shorter.
const urlMax = 1024

// Role is what a person may do.
type Role = access.Role

// The roles.
const (
	Apprentice = access.Apprentice
	Viewer     = access.Viewer
	Operator   = access.Operator
	Instructor = access.Instructor
)

// person is who asks.
type person = access.Person

// personKey is where a request carries who asks, once that is known.
type personKey struct{}

// who tells who asks. Where access is not asked for, whoever sits at the machine may do
// everything.
func (d *dashboard) who(r *http.Request) person {
	if d.o.Access == nil {
		return person{Role: Instructor}
	}
	p, _ := r.Context().Value(personKey{}).(person) // nobody, on the page to sign in
	return p
}

// formMax is the most bytes of a form without photos.
const formMax = 64 << 10

// admit lets through whom a route is for. Assets do not even ask who it is: they are the
// program's own and hold nothing of the shop.
func (d *dashboard) admit(w http.ResponseWriter, r *http.Request, next http.Handler) {
	pattern, least := d.mux.leastOf(r)
	if d.o.Access == nil || strings.HasPrefix(pattern, "GET /assets/") {
		next.ServeHTTP(w, r)
		return
	}
	p := person{}
	known, err := d.o.Access.Load(r)
	if err == nil {
		r = known
		p, err = d.o.Access.Who(r.Context())
	}
	if err == nil {
		r = r.WithContext(context.WithValue(r.Context(), personKey{}, p))
	}
	setUp, signIn := errors.Is(err, access.ErrSetUp), errors.Is(err, access.ErrSignIn)
	switch {
	case err == nil && p.Role >= least, setUp && r.URL.Path == "/set-up", signIn && least == everybody:
		next.ServeHTTP(w, r)
	case err == nil && pattern == "GET /{$}": // where an apprentice begins
		http.Redirect(w, r, "/exercises", http.StatusSeeOther)
	case err == nil:
		d.sorry(w, r, http.StatusForbidden, "That is not for your role.")
	case setUp:
		d.lead(w, r, "/set-up", "There is no user yet, and nothing is shown before there is one.")
	case signIn:
		d.lead(w, r, "/sign-in", "You are not signed in, or no longer. Nothing was changed.")
	default:
		d.o.Logger.Error("who asks could not be looked up", "err", err)
		d.sorry(w, r, http.StatusServiceUnavailable, "Who you are could not be looked up; the server's log says why.")
	}
}

// lead leads to the page that comes first, or says why nothing else does.
func (d *dashboard) lead(w http.ResponseWriter, r *http.Request, path, why string) {
	switch {
	case r.URL.Path == "/events":
		http.Error(w, why, http.StatusUnauthorized)
	case r.Method == http.MethodGet || r.Method == http.MethodHead:
		http.Redirect(w, r, path+"?next="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
	default:
		d.sorry(w, r, http.StatusUnauthorized, why)
	}
}

// guard says the rules to the browser and turns away what is not for us.
func (d *dashboard) guard(next http.Handler) http.Handler {
	var crossOrigin http.CrossOriginProtection
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY") // for browsers that know no frame-ancestors
		// Without any referrer, browsers that send no Sec-Fetch-Site would say of our own
		// forms that they come from nowhere (Origin: null).
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		h.Set("Cache-Control", "no-store")
		if d.o.Secure {
			h.Set("Strict-Transport-Security", hstsFor)
		}
		switch {
		case !d.proxyAllowed(r):
			http.Error(w, "This server is asked by way of its proxy only: one that passes requests on is named with --behind-proxy.", http.StatusForbidden)
		case !d.hostAllowed(r.Host):
			// A name that leads here by a foreign DNS entry would let a foreign page read ours.
			http.Error(w, "This server does not answer to that name.", http.StatusMisdirectedRequest)
		case crossOrigin.Check(r) != nil:
			http.Error(w, "That form was not sent from a page of this server.", http.StatusForbidden)
		case len(r.RequestURI) > urlMax:
			http.Error(w, "That address is too long.", http.StatusRequestURITooLong)
		default:
			d.admit(w, r, next)
		}
	})
}

func (d *dashboard) hostAllowed(host string) bool {
	name := host
	if n, _, err := net.SplitHostPort(host); err == nil {
		name = n
	}
	name = strings.TrimSuffix(strings.TrimPrefix(name, "["), "]")
	return slices.ContainsFunc(d.o.Hosts, func(h string) bool { return strings.EqualFold(h, name) })
}

// proxyAllowed reports whether a request comes the way it should: from the proxy that
// was named, or from no proxy. One on this machine that nobody named would make the whole
// shop look like who sits here.
func (d *dashboard) proxyAllowed(r *http.Request) bool {
	if d.o.Proxy.IsValid() {
		peer := peerOf(r)
		return peer == d.o.Proxy.Unmap() || peer.IsLoopback() && d.o.Proxy.IsLoopback()
	}
	return d.o.Secure || r.Header.Get("X-Forwarded-For") == "" && r.Header.Get("Forwarded") == "" && r.Header.Get("Via") == ""
}

// peerOf is the address at the other end of the connection.
func peerOf(r *http.Request) netip.Addr {
	a, _ := netip.ParseAddrPort(r.RemoteAddr) // net/http made it
	return a.Addr().Unmap()
}

// from is the address of who asks. Of X-Forwarded-For only the last is the proxy's own
// word; those before it are anybody's.
func (d *dashboard) from(r *http.Request) netip.Addr {
	if lines := r.Header.Values("X-Forwarded-For"); d.o.Proxy.IsValid() && len(lines) > 0 {
		line := lines[len(lines)-1]
		if a, err := netip.ParseAddr(strings.TrimSpace(line[strings.LastIndex(line, ",")+1:])); err == nil {
			return a
		}
	}
	return peerOf(r)
}

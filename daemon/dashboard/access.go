package dashboard

import (
	"net"
	"net/http"
	"slices"
	"strings"
)

// policy lets a page load what is ours and nothing else. Neither a script nor a style
// in the page itself runs, so that a text that slipped through would do nothing.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// urlMax is the longest address that is read; ours are far shorter.
const urlMax = 1024

// Role is what a person may do. Each may what those before it may.
type Role int

// The roles.
const (
	Viewer     Role = iota + 1 // reads
	Operator                   // keeps the jobs
	Instructor                 // keeps the users
)

// person is who asks.
type person struct {
	Name string
	Role Role
}

// who tells who asks. A dashboard is heard on loopback only: whoever sits at the machine
// may everything.
func (d *dashboard) who(*http.Request) person { return person{Role: Instructor} }

// formMax is the most bytes of a form without photos.
const formMax = 64 << 10

// allow lets a handler be reached by those of a role and above.
func (d *dashboard) allow(least Role, next http.HandlerFunc) http.HandlerFunc {
	return d.allowBytes(least, formMax, next)
}

// allowBytes is allow for a form of so many bytes.
func (d *dashboard) allowBytes(least Role, most int64, next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if d.who(r).Role < least {
			d.sorry(w, r, http.StatusForbidden, "That is not for your role.")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, most)
		next(w, r)
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
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		h.Set("Cache-Control", "no-store")
		switch {
		case !d.hostAllowed(r.Host):
			// A name that leads here by a foreign DNS entry would let a foreign page read ours.
			http.Error(w, "This server does not answer to that name.", http.StatusMisdirectedRequest)
		case crossOrigin.Check(r) != nil:
			http.Error(w, "That form was not sent from a page of this server.", http.StatusForbidden)
		case len(r.RequestURI) > urlMax:
			http.Error(w, "That address is too long.", http.StatusRequestURITooLong)
		default:
			next.ServeHTTP(w, r)
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

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

// guard says the rules to the browser and turns away what is not for us.
func (d *dashboard) guard(next http.Handler) http.Handler {
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
		case r.Method != http.MethodGet && r.Method != http.MethodHead:
			h.Set("Allow", "GET, HEAD")
			http.Error(w, "These pages can only be read.", http.StatusMethodNotAllowed)
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

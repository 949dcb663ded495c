package dashboard

import (
	"fmt"
	"net/http"
)

// everybody is the least role of a route that is for who is not signed in, too. It is not
// 0, so that a route whose role was left out is not open to the world.
const everybody Role = -1

// routes is what is served where, and to whom. There is no way past handle, so each route
// has its least role, and admit holds it.
type routes struct {
	mux   http.ServeMux
	least map[string]Role // of each pattern
}

// handle serves a pattern to those of a role and above, who may send a form with it. It
// panics where there is no such role, as http.ServeMux does of a pattern that is none.
func (m *routes) handle(least Role, pattern string, handler http.HandlerFunc) {
	m.handleBytes(least, pattern, formMax, handler)
}

// handleBytes is handle for a form of so many bytes.
func (m *routes) handleBytes(least Role, pattern string, most int64, handler http.HandlerFunc) {
	if least != everybody && (least < Apprentice || least > Instructor) {
		panic(fmt.Sprintf("dashboard: route %q is for no role: name the least that reaches it, or everybody", pattern))
	}
	m.least[pattern] = least
	m.mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		r.Body = http.MaxBytesReader(w, r.Body, most)
		handler(w, r)
	})
}

// leastOf tells the pattern that serves a request, for an address may be spelt in many
// ways, and its least role. What no pattern serves is told to who reads.
func (m *routes) leastOf(r *http.Request) (pattern string, least Role) {
	_, pattern = m.mux.Handler(r)
	if least, ok := m.least[pattern]; ok {
		return pattern, least
	}
	return pattern, Viewer
}

// ServeHTTP serves a request that was admitted.
func (m *routes) ServeHTTP(w http.ResponseWriter, r *http.Request) { m.mux.ServeHTTP(w, r) }

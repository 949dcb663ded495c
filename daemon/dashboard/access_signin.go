package dashboard

import (
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"keyturn/daemon/dashboard/access"
)

// accessRoutes serves what is about who may do what.
func (d *dashboard) accessRoutes(mux *routes) {
	if d.o.Access == nil {
		return
	}
	mux.handle(everybody, "GET /sign-in", d.signIn)
	mux.handleBytes(everybody, "POST /sign-in", signInMost, d.signIn)
	// Before there is a user they are for everybody, afterwards they say so.
	mux.handle(Viewer, "GET /set-up", d.setUp)
	mux.handleBytes(Viewer, "POST /set-up", signInMost, d.setUp)
	mux.handle(Apprentice, "POST /sign-out", d.signOut)
	mux.handle(Apprentice, "GET /account", d.account)
	mux.handle(Apprentice, "POST /account", d.account)
	mux.handle(Instructor, "GET /users", d.users)
	mux.handle(Instructor, "POST /users", d.users)
	mux.handle(Instructor, "GET /user", d.user)
	mux.handle(Instructor, "POST /user/role", d.user)
	mux.handle(Instructor, "POST /user/password", d.user)
	mux.handle(Instructor, "POST /user/remove", d.user)
}

// askBody is a page with forms of users and passwords.
type askBody struct {
	Done   string // what the form before did
	Say    string // why the form comes back
	Name   string // as it was typed
	Next   string // where to after it
	Advice string
}

// signInMost is the most bytes of a form that anybody may send.
const signInMost = 8 << 10

// signIn shows the form to sign in, and takes it.
func (d *dashboard) signIn(w http.ResponseWriter, r *http.Request) {
	body := askBody{Done: outcome(r), Next: local(r.URL.Query().Get("next"))}
	if r.Method != http.MethodPost {
		d.ask(w, r, "Sign in", "signin", body, nil)
		return
	}
	if !d.form(w, r) {
		return
	}
	f := r.PostForm
	body.Name, body.Next = f.Get("name"), local(f.Get("next"))
	if err := d.o.Access.SignIn(w, r, d.from(r), body.Name, f.Get("password")); err != nil {
		d.ask(w, r, "Sign in", "signin", body, err)
		return
	}
	http.Redirect(w, r, body.Next, http.StatusSeeOther)
}

// signOut ends the session.
func (d *dashboard) signOut(w http.ResponseWriter, r *http.Request) {
	if err := d.o.Access.SignOut(w, r); err != nil {
		d.broken(w, r, "sign out", err)
		return
	}
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
}

// setUp shows the form for the first user, and takes it.
func (d *dashboard) setUp(w http.ResponseWriter, r *http.Request) {
	if any, err := d.o.Access.AnyUser(r.Context()); err != nil || any {
		if err != nil {
			d.broken(w, r, "look for users", err)
			return
		}
		d.sorry(w, r, http.StatusConflict, "There are users already: ask an instructor to make you one.")
		return
	}
	body := askBody{Advice: access.Advice()}
	if r.Method != http.MethodPost {
		d.ask(w, r, "Set up", "setup", body, nil)
		return
	}
	if !d.form(w, r) {
		return
	}
	f := r.PostForm
	body.Name = f.Get("name")
	password, err := twice(f)
	if err == nil {
		err = d.o.Access.SetUp(w, r, f.Get("code"), body.Name, password)
	}
	if err != nil {
		d.ask(w, r, "Set up", "setup", body, err)
		return
	}
	http.Redirect(w, r, "/users", http.StatusSeeOther)
}

// account shows who is signed in, and changes his password.
func (d *dashboard) account(w http.ResponseWriter, r *http.Request) {
	p := d.who(r)
	if p.Name == "" {
		d.sorry(w, r, http.StatusNotFound, "Nobody is asked who he is, for there is no user yet.")
		return
	}
	body := askBody{Done: outcome(r), Name: p.Name, Advice: access.Advice()}
	if r.Method != http.MethodPost {
		d.ask(w, r, "Account", "account", body, nil)
		return
	}
	if !d.form(w, r) {
		return
	}
	password, err := twice(r.PostForm)
	if err == nil {
		err = d.o.Access.ChangePassword(w, r, p, r.PostForm.Get("present"), password)
	}
	if err != nil {
		d.ask(w, r, "Account", "account", body, err)
		return
	}
	http.Redirect(w, r, "/account?done=own", http.StatusSeeOther)
}

// ask shows a form; err is why it comes back.
func (d *dashboard) ask(w http.ResponseWriter, r *http.Request, title, name string, body askBody, err error) {
	status := http.StatusOK
	if err != nil {
		var ok bool
		if status, body.Say, ok = d.refused(w, r, err); !ok {
			return
		}
	}
	p := d.page(title, name)
	p.Body = body
	d.show(w, r, status, name, p)
}

// refused tells what to answer to an error. Where it is the server's own, that was
// answered already.
func (d *dashboard) refused(w http.ResponseWriter, r *http.Request, err error) (status int, say string, ok bool) {
	var no access.Refusal
	if !errors.As(err, &no) {
		d.broken(w, r, r.Pattern, err)
		return 0, "", false
	}
	if no.After > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(int(no.After.Seconds())))
	}
	return no.Status, no.Say, true
}

func (d *dashboard) broken(w http.ResponseWriter, r *http.Request, what string, err error) {
	d.o.Logger.Error("access", "at", what, "err", err)
	d.sorry(w, r, http.StatusInternalServerError, "That could not be done; the server's log says why. Nothing was changed.")
}

// form reads a form.
func (d *dashboard) form(w http.ResponseWriter, r *http.Request) bool {
	if err := r.ParseForm(); err != nil {
		d.sorry(w, r, http.StatusBadRequest, "That form could not be read, or is too long. Nothing was changed.")
		return false
	}
	return true
}

// twice is a new password, typed twice.
func twice(f url.Values) (string, error) {
	if f.Get("password") != f.Get("again") {
		return "", access.Refusal{Status: http.StatusUnprocessableEntity, Say: "The two passwords are not the same: type both again."}
	}
	return f.Get("password"), nil
}

// local is an address of ours that somebody wanted; the first page in place of any other.
// Browsers read a backslash as a slash, and two slashes as another host's name.
func local(next string) string {
	_, err := url.Parse(next) // which finds control characters
	if err != nil || !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") || strings.Contains(next, `\`) {
		return "/"
	}
	return next
}

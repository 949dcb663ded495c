package dashboard

import (
	"net/http"
	"net/url"

	"keyturn/daemon/dashboard/access"
	"keyturn/daemon/records"
)

// usersBody is the page of all users, or of one.
type usersBody struct {
	askBody
	Users []userView
	Roles []Role
	Role  Role // the one that is chosen
	First bool // there is no user yet
}

type userView struct {
	Name           string
	Role           Role
	Made, SignedIn string
}

// Page leads to a user's own page.
func (u userView) Page() string { return "/user?" + url.Values{"name": {u.Name}}.Encode() }

func (d *dashboard) userView(u records.User) userView {
	v := userView{Name: u.Name, Role: access.RoleOf(u.Role), Made: moment(u.Made.In(d.o.Zone)), SignedIn: "never"}
	if !u.SignedIn.IsZero() {
		v.SignedIn = moment(u.SignedIn.In(d.o.Zone))
	}
	return v
}

// users shows all users, and makes one.
func (d *dashboard) users(w http.ResponseWriter, r *http.Request) {
	status, body := http.StatusOK, usersBody{askBody: askBody{Done: outcome(r)}}
	if r.Method == http.MethodPost {
		if !d.form(w, r) {
			return
		}
		f := r.PostForm
		any, err := d.o.Access.AnyUser(r.Context())
		if err != nil {
			d.broken(w, r, "look for users", err)
			return
		}
		first := !any
		password, err := twice(f)
		if err == nil {
			err = d.o.Access.Add(r.Context(), f.Get("name"), password, access.RoleOf(f.Get("role")))
		}
		if err == nil {
			to := "/users?done=made"
			if first {
				to = "/sign-in?done=first"
			}
			http.Redirect(w, r, to, http.StatusSeeOther)
			return
		}
		body.Name, body.Role = f.Get("name"), access.RoleOf(f.Get("role"))
		var ok bool
		if status, body.Say, ok = d.refused(w, r, err); !ok {
			return
		}
	}
	d.showUsers(w, r, status, "users", body, func(records.User) bool { return true })
}

// user shows one user, and changes what is his.
func (d *dashboard) user(w http.ResponseWriter, r *http.Request) {
	status, body := http.StatusOK, usersBody{askBody: askBody{Done: outcome(r), Name: r.URL.Query().Get("name")}}
	if r.Method == http.MethodPost {
		if !d.form(w, r) {
			return
		}
		body.Name = r.PostForm.Get("name")
		to, err := d.changeUser(r, body.Name)
		if err == nil {
			http.Redirect(w, r, to, http.StatusSeeOther)
			return
		}
		var ok bool
		if status, body.Say, ok = d.refused(w, r, err); !ok {
			return
		}
	}
	d.showUsers(w, r, status, "user", body, func(u records.User) bool { return u.Name == body.Name })
}

// changeUser does what a form about one user says, and tells the page that follows.
func (d *dashboard) changeUser(r *http.Request, name string) (to string, err error) {
	page := func(done string) string { return "/user?" + url.Values{"name": {name}, "done": {done}}.Encode() }
	a, f := d.o.Access, r.PostForm
	switch r.URL.Path {
	case "/user/role":
		return page("role"), a.SetRole(r.Context(), name, access.RoleOf(f.Get("role")))
	case "/user/password":
		password, err := twice(f)
		if err != nil {
			return "", err
		}
		return page("password"), a.SetPassword(r.Context(), name, password)
	}
	return "/users?done=removed", a.Remove(r.Context(), name)
}

// outcome says what the form before did.
func outcome(r *http.Request) string {
	switch r.URL.Query().Get("done") {
	case "made":
		return "The user was made. Tell the user the password; it is changed under one’s own name, above."
	case "first":
		return "The first user was made, an instructor. Sign in now, by that name."
	case "role":
		return "The role was changed; the user signs in again."
	case "password":
		return "The password was changed; the user signs in again."
	case "own":
		return "Your password was changed. You are signed in here only."
	case "removed":
		return "The user was removed."
	}
	return ""
}

// showUsers shows those users that are wanted.
func (d *dashboard) showUsers(w http.ResponseWriter, r *http.Request, status int, name string, body usersBody, wanted func(records.User) bool) {
	all, err := d.o.Access.Users(r.Context())
	if err != nil {
		d.broken(w, r, r.Pattern, err)
		return
	}
	for _, u := range all {
		if wanted(u) {
			body.Users = append(body.Users, d.userView(u))
		}
	}
	if name == "user" {
		if len(body.Users) == 0 {
			d.sorry(w, r, http.StatusNotFound, "There is no user of that name.")
			return
		}
		body.Role = body.Users[0].Role
	}
	body.Roles, body.Advice, body.First = access.Roles(), access.Advice(), len(all) == 0
	if body.First {
		body.Roles, body.Role = []Role{Instructor}, Instructor
	}
	p := d.page("Users", "users")
	p.Body = body
	d.show(w, r, status, name, p)
}

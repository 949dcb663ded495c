package access

import "slices"

// Role is what a person may do. Each may what those before it may.
type Role int

// The roles.
const (
	Apprentice Role = iota + 1 // answers exercises, and sees nothing that was measured before
	Viewer                     // reads
	Operator                   // keeps the jobs
	Instructor                 // keeps the users and the exercises
)

// Roles are all roles, the least first.
func Roles() []Role { return []Role{Apprentice, Viewer, Operator, Instructor} }

// String is the word for a role, on pages and in the records.
func (r Role) String() string {
	switch r {
	case Apprentice:
		return "apprentice"
	case Viewer:
		return "viewer"
	case Operator:
		return "operator"
	case Instructor:
		return "instructor"
	}
	return "nobody"
}

// May says what a role may do.
func (r Role) May() string {
	switch r {
	case Apprentice:
		return "answers exercises, and sees nothing else"
	case Viewer:
		return "reads everything"
	case Operator:
		return "also keeps the jobs"
	case Instructor:
		return "also keeps the users and the exercises"
	}
	return "nothing"
}

// RoleOf is the role of a word; 0, which may nothing, of another.
func RoleOf(word string) Role {
	all := Roles()
	if i := slices.IndexFunc(all, func(r Role) bool { return r.String() == word }); i >= 0 {
		return all[i]
	}
	return 0
}

// Person is who asks. One without a name sits at a machine where nobody is asked who he
// is.
type Person struct {
	Name string
	Role Role
}

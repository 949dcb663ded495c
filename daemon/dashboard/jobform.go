package dashboard

import (
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"unicode"

	"keyturn/daemon/records"
)

// webForm is a form as it is shown and read: fields that say what is wrong with them, so
// that what was typed comes back with it.
type webForm struct {
	ID, Action, Submit string
	Files              bool
	Fields             []*field
}

// field is one field of a form.
type field struct {
	ID, Name, Label, Hint string
	Kind                  string // text, lines, choice, date, photo
	Value                 string
	Mode                  string // what a touch screen's keyboard is to show
	Options               []option
	Known                 []string // to choose from, or not
	Fault                 string
}

// option is one of a choice.
type option struct{ Value, Word string }

// Describes reports whether there is more to a field than its label.
func (f *field) Describes() bool { return f.Hint != "" || f.Fault != "" }

// newForm gives each field an id that is the form's own.
func newForm(id, action, submit string, fields ...*field) *webForm {
	f := &webForm{ID: id, Action: action, Submit: submit, Fields: fields}
	for _, x := range fields {
		x.ID = id + "-" + strings.ToLower(x.Name)
		f.Files = f.Files || x.Kind == "photo"
	}
	return f
}

func (f *webForm) field(name string) *field {
	for _, x := range f.Fields {
		if x.Name == name {
			return x
		}
	}
	return nil
}

// set fills a field, if the form has it.
func (f *webForm) set(name, value string) {
	if x := f.field(name); x != nil {
		x.Value = value
	}
}

// get is what stands in a field; empty without one.
func (f *webForm) get(name string) string {
	if x := f.field(name); x != nil {
		return x.Value
	}
	return ""
}

// read fills the fields with what was sent. It answers itself, and returns false, where
// the form cannot be read at all.
func (d *dashboard) read(w http.ResponseWriter, r *http.Request, f *webForm) bool {
	err := r.ParseForm()
	if tooLong := new(http.MaxBytesError); errors.As(err, &tooLong) {
		d.sorry(w, r, http.StatusRequestEntityTooLarge, "That form is longer than 64 kB, so nothing of it was kept. Go back and shorten it.")
		return false
	}
	if err != nil {
		d.sorry(w, r, http.StatusBadRequest, "That form cannot be read, so nothing of it was kept.")
		return false
	}
	f.fill(r.PostForm)
	return true
}

// fill puts what was sent into the fields.
func (f *webForm) fill(sent url.Values) {
	for _, x := range f.Fields {
		x.Value = typed(sent.Get(x.Name), x.Kind == "lines")
	}
}

// typed is a text as it is kept: without what cannot be seen. What is too long stays, to
// be shortened by who typed it.
func typed(s string, lines bool) string {
	s = strings.ReplaceAll(strings.ToValidUTF8(s, "\ufffd"), "\r\n", "\n")
	s = strings.Map(func(r rune) rune {
		switch {
		case r == '\n' && lines:
			return r
		case unicode.IsSpace(r):
			return ' '
		case unicode.Is(unicode.C, r):
			return -1
		}
		return r
	}, s)
	if lines {
		return strings.TrimSpace(s)
	}
	return strings.Join(strings.Fields(s), " ")
}

// wrong notes what is wrong with a field; where the form has no such field, with its
// first.
func (f *webForm) wrong(name, text string) {
	x := f.field(name)
	if x == nil {
		x = f.Fields[0]
	}
	if x.Fault == "" {
		x.Fault = text
	}
}

// refused takes over the faults that the records found; false if the error is another.
func (f *webForm) refused(err error) bool {
	var faults records.Faults
	if !errors.As(err, &faults) {
		return false
	}
	for _, x := range faults {
		f.wrong(x.Field, x.Text)
	}
	return true
}

// Faults are the fields with which something is wrong.
func (f *webForm) Faults() (out []*field) {
	for _, x := range f.Fields {
		if x.Fault != "" {
			out = append(out, x)
		}
	}
	return out
}

// count reads a whole number; blanks in it do not count, an empty field is 0.
func (f *webForm) count(name string) int64 {
	text := strings.ReplaceAll(f.get(name), " ", "")
	if text == "" {
		return 0
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		f.wrong(name, "Digits only, please.")
	}
	return n
}

// number reads a number with a point or a comma; an empty field is 0.
func (f *webForm) number(name string) float64 {
	text := strings.ReplaceAll(f.get(name), ",", ".")
	if text == "" {
		return 0
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || v == 0 {
		f.wrong(name, "A number, please: 7.5. Leave it empty where it is not known.")
	}
	return v
}

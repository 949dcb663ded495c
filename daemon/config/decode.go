package config

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// sizeMax is the longest file, in bytes; untypedMax the most values of the
// wrong type that one reading tells, for each costs another pass.
const (
	sizeMax    = 1 << 20
	untypedMax = 32
)

// decode reads the text of a file, "a bench file", and reports whether the values
// can be checked. The decoder stops at the first value of a wrong type, so that its
// line is blanked and the rest read again.
func decode[T any](f *faults, file string, data []byte) (T, bool) {
	var none T
	f.root = reflect.TypeFor[T]()
	if len(data) > sizeMax {
		f.tell(1, fmt.Sprintf("%d bytes are too long for %s; at most %d", len(data), file, sizeMax))
		return none, false
	}
	rows := bytes.Split(bytes.Clone(data), []byte("\n"))
	for {
		var b T
		err := toml.NewDecoder(bytes.NewReader(bytes.Join(rows, []byte("\n")))).DisallowUnknownFields().Decode(&b)
		var strict *toml.StrictMissingError
		var wrong *toml.DecodeError
		switch {
		case err == nil:
			return b, true
		case errors.As(err, &strict):
			f.unknown(strict)
			return b, true
		case !errors.As(err, &wrong):
			f.tell(1, saidBy(err)+"; correct it")
			return none, false
		}
		row, column := wrong.Position()
		want := f.wanted(wrong)
		if want == "" {
			f.tell(row, fmt.Sprintf("column %d: %s; correct what stands there", column, saidBy(wrong)))
			return none, false
		}
		f.tell(row, want)
		f.untyped = append(f.untyped, row)
		if len(f.untyped) == untypedMax || bytes.HasPrefix(bytes.TrimSpace(rows[row-1]), []byte("[")) {
			return none, false
		}
		rows[row-1] = nil
	}
}

// saidBy is what the decoder found, which may repeat a key of any length.
func saidBy(err error) string { return clip(strings.TrimPrefix(err.Error(), "toml: ")) }

// unknown notes the keys that no such file has.
func (f *faults) unknown(strict *toml.StrictMissingError) {
	for i := range strict.Errors {
		row, _ := strict.Errors[i].Position()
		key := strict.Errors[i].Key()
		hint := nearest(key[len(key)-1], f.keysBeside(key))
		if at := f.elsewhere(key); hint == "" && at != "" {
			hint = "; it belongs under [" + at + "]"
		}
		if hint == "" {
			hint = "; remove it"
		}
		f.tell(row, fmt.Sprintf("unknown key %q%s", clip(strings.Join(key, ".")), hint))
	}
}

var index = regexp.MustCompile(`\[\d+\]`)

// wanted says what a key takes that has a value of a wrong type; empty if the
// text is not TOML there or that line has no key.
func (f *faults) wanted(e *toml.DecodeError) string {
	path := f.lines.before(e.Position())
	if path == "" || !strings.Contains(e.Error(), "decode") {
		return ""
	}
	keys := strings.Split(index.ReplaceAllString(path, ""), ".")
	t := f.typeOf(keys)
	if t == nil {
		return ""
	}
	return fmt.Sprintf("%s: a value of the wrong type; write %s", keys[len(keys)-1], describe(t, keys))
}

// elsewhere is the table that has a key which stands at the top; empty if none has.
func (f *faults) elsewhere(key []string) string {
	if len(key) != 1 {
		return ""
	}
	for i := range f.root.NumField() {
		at := f.root.Field(i)
		if at.Type.Kind() == reflect.Struct && slices.Contains(f.keysBeside([]string{name(at), ""}), key[0]) {
			return name(at)
		}
	}
	return ""
}

// describe is what a value of a type looks like in a file.
func describe(t reflect.Type, keys []string) string {
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch t.Kind() {
	case reflect.String:
		return "a text in quotes"
	case reflect.Bool:
		return "true or false"
	case reflect.Int:
		return "a whole number"
	case reflect.Float64:
		return "a number"
	case reflect.Slice:
		if t.Elem().Kind() == reflect.Float64 {
			return "a list of numbers, like [9.6, 7.2]"
		}
		if t.Elem().Kind() == reflect.String {
			return `a list of texts, like ["records"]`
		}
		return "[[" + strings.Join(keys, ".") + "]] and its keys below"
	}
	return "[" + strings.Join(keys, ".") + "] and its keys below"
}

// typeOf is the type of the value at a path of keys; nil if no file has it.
func (f *faults) typeOf(keys []string) reflect.Type {
	t := f.root
	for _, key := range keys {
		at := -1
		if t = table(t); t == nil {
			return nil
		}
		for i := range t.NumField() {
			if name(t.Field(i)) == key {
				at = i
			}
		}
		if at < 0 {
			return nil
		}
		t = t.Field(at).Type
	}
	return t
}

// keysBeside lists the keys of the table that holds a key, for hints; none if
// the table is unknown too.
func (f *faults) keysBeside(key []string) []string {
	t := f.typeOf(key[:len(key)-1])
	if t == nil {
		return nil
	}
	if t = table(t); t == nil {
		return nil
	}
	var keys []string
	for i := range t.NumField() {
		if key := name(t.Field(i)); key != notInFile {
			keys = append(keys, key)
		}
	}
	return keys
}

// table is the struct behind a list or a pointer; nil if there is none.
func table(t reflect.Type) reflect.Type {
	if t.Kind() == reflect.Slice || t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct {
		return nil
	}
	return t
}

// notInFile marks a field that no file has.
const notInFile = "-"

// name is the key of a field.
func name(f reflect.StructField) string {
	key, _, _ := strings.Cut(f.Tag.Get("toml"), ",")
	return key
}

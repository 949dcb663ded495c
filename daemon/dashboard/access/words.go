package access

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/secure/precis"
)

const (
	nameMost = 32 // characters
	// passwordLeast and passwordMost bound a password. NIST SP 800-63B, 5.1.1.2, asks for
	// at least 8 characters, for room for 64, and for no rules of what is in it. The most
	// is in bytes: hashing must not become work without end.
	passwordLeast = 10
	passwordMost  = 256
	// differentLeast is how many different characters a password has at least.
	differentLeast = 5
)

// Advice is what to know before one chooses a password.
func Advice() string {
	return fmt.Sprintf("At least %d characters, without the name. A few words that do not belong together are good.", passwordLeast)
}

// NameOf is the form in which a name is kept and compared: lower case, and each letter
// in one way however it was typed (RFC 8265, UsernameCaseMapped).
func NameOf(typed string) (string, error) {
	if len(typed) <= nameMost*utf8.UTFMax {
		name, err := precis.UsernameCaseMapped.String(typed)
		if err == nil && name != "" && utf8.RuneCountInString(name) <= nameMost {
			return name, nil
		}
	}
	return "", invalid(fmt.Sprintf("A name is one word of 1 to %d letters, digits and signs, without spaces.", nameMost))
}

// passwordOf is the form in which a password is hashed, so that it is the same from every
// keyboard (RFC 8265, OpaqueString).
func passwordOf(typed string) (string, error) {
	if len(typed) > passwordMost {
		return "", invalid(fmt.Sprintf("That password is too long: %d bytes are the most, which are as many plain letters.", passwordMost))
	}
	password, err := precis.OpaqueString.String(typed)
	if err != nil || !utf8.ValidString(typed) {
		return "", invalid("That is no password: it is empty, or there are control characters in it.")
	}
	return password, nil
}

// newPassword is a password that may become one of a user.
func newPassword(name, typed string) (string, error) {
	password, err := passwordOf(typed)
	if err != nil {
		return "", err
	}
	different := map[rune]bool{}
	for _, r := range password {
		different[r] = true
	}
	switch {
	case utf8.RuneCountInString(password) < passwordLeast:
		return "", invalid(fmt.Sprintf("That password is too short: at least %d characters, for short ones are soon guessed.", passwordLeast))
	case strings.Contains(strings.ToLower(password), name):
		return "", invalid("That password holds the name, which is the first that is tried.")
	case len(different) < differentLeast:
		return "", invalid(fmt.Sprintf("That password repeats itself: at least %d different characters.", differentLeast))
	}
	return password, nil
}

package access

import (
	"crypto/rand"
	"crypto/subtle"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"time"
)

const (
	// codeLetters are 50 bits, five a letter.
	codeLetters = 10
	codeTries   = 5
	// CodeFor is how long the code for the first user holds.
	CodeFor = 30 * time.Minute
)

// code lets somebody make the first user: who reads the server's terminal. The zero
// value is none.
type code struct {
	mu    sync.Mutex
	text  string
	until time.Time
	tries int // wrong ones that are left
}

// renew makes a code that holds for a while, and returns it as it is shown.
func (c *code) renew() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.text, c.until, c.tries = rand.Text()[:codeLetters], time.Now().Add(CodeFor), codeTries
	return c.text[:codeLetters/2] + "-" + c.text[codeLetters/2:]
}

// use does something if what was typed is the code; once it succeeds the code is over.
func (c *code) use(typed string, do func() error) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if say := c.over(); say != "" {
		return Refusal{Status: http.StatusForbidden, Say: say}
	}
	if typed = strings.ToUpper(strings.NewReplacer("-", "", " ", "").Replace(typed)); subtle.ConstantTimeCompare([]byte(typed), []byte(c.text)) == 0 {
		c.tries--
		left := fmt.Sprintf("%d more tries.", c.tries)
		if c.tries == 0 {
			left = c.over()
		}
		return Refusal{Status: http.StatusForbidden, Say: "That is not the code on the terminal. " + left}
	}
	if err := do(); err != nil {
		return err
	}
	c.text = ""
	return nil
}

// over says why there is no code to type; empty where there is one.
func (c *code) over() string {
	const otherwise = " Or make the first user on the server: keyturn user add NAME --role instructor."
	switch {
	case c.text == "":
		return "The server was started without a terminal, so it has shown no code. Make the first user on the server: keyturn user add NAME --role instructor."
	case c.tries == 0:
		return "The code was guessed at too often and holds no longer. Start the server again for another one." + otherwise
	case !time.Now().Before(c.until):
		return "The code is too old and holds no longer. Start the server again for another one." + otherwise
	}
	return ""
}

package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"text/tabwriter"

	"golang.org/x/term"

	"keyturn/daemon/dashboard/access"
	"keyturn/daemon/records"
)

// userCommands keep the users of the dashboard without a browser. Whoever may write the
// records may do it: nobody is asked who he is.
type userCommands struct {
	Add      userAdd      `cmd:"" help:"Make a user of the dashboard. The first one is an instructor."`
	List     userList     `cmd:"" help:"List the users."`
	Password userPassword `cmd:"" help:"Give a user another password, and end his sessions."`
	Remove   userRemove   `cmd:"" help:"Remove a user, and end his sessions. The last instructor stays."`
}

// ofRecords is which users are meant.
type ofRecords struct {
	Records string `help:"The dashboard's records: a file, or postgres://user@host/database." default:"records.db" placeholder:"FILE"`
}

// with does something with the users.
func (o ofRecords) with(ctx context.Context, do func(*access.Access) error) (err error) {
	s, err := records.Open(ctx, records.Options{URL: o.Records, MustExist: true})
	if err != nil {
		return fmt.Errorf("%w (the dashboard makes them: start it first)", err)
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	return do(access.New(access.Options{Records: s}))
}

// askPassword is how a password gets in.
type askPassword struct {
	File string `name:"password-file" help:"File that holds the password, in place of asking on the terminal." type:"existingfile" placeholder:"FILE"`
}

// ask reads a password; a newline at the end of a file is not part of it.
func (a askPassword) ask() (string, error) {
	if a.File != "" {
		text, err := os.ReadFile(a.File)
		if err != nil {
			return "", fmt.Errorf("read the password: %w", err)
		}
		return strings.TrimRight(string(text), "\r\n"), nil
	}
	in := int(os.Stdin.Fd())
	if !term.IsTerminal(in) {
		return "", errors.New("there is no terminal to ask for the password: give --password-file FILE")
	}
	var typed [2]string
	for i, prompt := range []string{"Password (" + access.Advice() + "): ", "The same again: "} {
		fmt.Fprint(os.Stderr, prompt)
		text, err := term.ReadPassword(in)
		fmt.Fprintln(os.Stderr)
		if err != nil {
			return "", fmt.Errorf("read the password: %w", err)
		}
		typed[i] = string(text)
	}
	if typed[0] != typed[1] {
		return "", errors.New("the two passwords are not the same")
	}
	return typed[0], nil
}

type userAdd struct {
	ofRecords
	askPassword
	Role string `help:"What he may do: apprentice answers exercises only, viewer reads everything, operator also keeps the jobs, instructor also keeps the users and exercises." enum:"apprentice,viewer,operator,instructor" default:"viewer" placeholder:"ROLE"`
	Name string `arg:"" help:"Name to sign in with, one word."`
}

// Run makes a user.
func (c *userAdd) Run(ctx context.Context) error {
	return c.with(ctx, func(a *access.Access) error {
		password, err := c.ask()
		if err != nil {
			return err
		}
		return a.Add(ctx, c.Name, password, access.RoleOf(c.Role))
	})
}

type userList struct{ ofRecords }

// Run lists the users.
func (c *userList) Run(ctx context.Context) error {
	return c.with(ctx, func(a *access.Access) error {
		users, err := a.Users(ctx)
		if err != nil {
			return err
		}
		w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "Name\tRole\tLast signed in")
		for _, u := range users {
			last := "never"
			if !u.SignedIn.IsZero() {
				last = u.SignedIn.Format("2006-01-02 15:04")
			}
			fmt.Fprintf(w, "%s\t%s\t%s\n", u.Name, u.Role, last)
		}
		return w.Flush()
	})
}

type userPassword struct {
	ofRecords
	askPassword
	Name string `arg:"" help:"The user."`
}

// Run gives a user another password.
func (c *userPassword) Run(ctx context.Context) error {
	return c.with(ctx, func(a *access.Access) error {
		password, err := c.ask()
		if err != nil {
			return err
		}
		return a.SetPassword(ctx, c.Name, password)
	})
}

type userRemove struct {
	ofRecords
	Name string `arg:"" help:"The user."`
}

// Run removes a user.
func (c *userRemove) Run(ctx context.Context) error {
	return c.with(ctx, func(a *access.Access) error { return a.Remove(ctx, c.Name) })
}

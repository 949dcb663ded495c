package access

import (
	"context"
	"crypto/rand"

	"keyturn/daemon/records"
)

// Users returns all users by name.
func (a *Access) Users(ctx context.Context) ([]records.User, error) { return a.o.Records.Users(ctx) }

// Add makes a user. The first one is an instructor.
func (a *Access) Add(ctx context.Context, typedName, typedPassword string, role Role) error {
	any, err := a.AnyUser(ctx)
	if err != nil {
		return err
	}
	if !any && role != Instructor {
		return invalid("The first user is an instructor, for somebody must keep the users.")
	}
	u, err := a.newUser(ctx, typedName, typedPassword, role)
	if err != nil {
		return err
	}
	return said(a.o.Records.AddUser(ctx, u))
}

func (a *Access) newUser(ctx context.Context, typedName, typedPassword string, role Role) (records.User, error) {
	name, err := NameOf(typedName)
	if err != nil {
		return records.User{}, err
	}
	if role < Apprentice || role > Instructor {
		return records.User{}, noRole()
	}
	password, err := newPassword(name, typedPassword)
	if err != nil {
		return records.User{}, err
	}
	hash, err := a.hasher.hash(ctx, password)
	return records.User{Name: name, Role: role.String(), Hash: hash, Key: rand.Text()}, err
}

func noRole() error { return invalid("A role is apprentice, viewer, operator or instructor.") }

// SetRole gives a user another role, and ends his sessions.
func (a *Access) SetRole(ctx context.Context, typedName string, role Role) error {
	name, err := NameOf(typedName)
	if err != nil {
		return err
	}
	if role < Apprentice || role > Instructor {
		return noRole()
	}
	return said(a.o.Records.SetRole(ctx, name, role.String(), rand.Text(), Instructor.String()))
}

// SetPassword gives a user another password, and ends his sessions.
func (a *Access) SetPassword(ctx context.Context, typedName, typed string) error {
	name, err := NameOf(typedName)
	if err == nil {
		_, err = a.setPassword(ctx, name, typed)
	}
	return err
}

func (a *Access) setPassword(ctx context.Context, name, typed string) (key string, err error) {
	password, err := newPassword(name, typed)
	if err != nil {
		return "", err
	}
	hash, err := a.hasher.hash(ctx, password)
	if err != nil {
		return "", err
	}
	key = rand.Text()
	return key, said(a.o.Records.SetPassword(ctx, name, hash, key))
}

// Remove deletes a user, and ends his sessions.
func (a *Access) Remove(ctx context.Context, typedName string) error {
	name, err := NameOf(typedName)
	if err != nil {
		return err
	}
	return said(a.o.Records.DeleteUser(ctx, name, Instructor.String()))
}

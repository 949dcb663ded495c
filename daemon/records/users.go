package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// User is somebody who may sign in to the dashboard. A name is personal data: of a user
// who is deleted nothing is left.
type User struct {
	Name string
	// Role is what the user may do; the records do not know what it means.
	Role string
	// Hash is what a password is held against.
	Hash string
	// Key stands for the user in his sessions. A new one ends all of them.
	Key string
	// Made and SignedIn tell when; SignedIn is zero for who never did.
	Made, SignedIn time.Time
}

// What can be wrong with a user.
var (
	ErrNoUser    = errors.New("no such user")
	ErrUserKnown = errors.New("there is a user of that name")
	ErrNotFirst  = errors.New("there are users already")
	ErrRoleEmpty = errors.New("nobody of that role would be left")
)

// userTables make the users and their sessions. A session's data are empty once it has
// ended.
func userTables() []string {
	return []string{
		`CREATE TABLE dashboard_user (
			name TEXT PRIMARY KEY, role TEXT NOT NULL, hash TEXT NOT NULL, session_key TEXT NOT NULL UNIQUE,
			made_ms BIGINT NOT NULL, signed_in_ms BIGINT NOT NULL)`,
		`CREATE TABLE dashboard_session (token TEXT PRIMARY KEY, data TEXT NOT NULL, expires_ms BIGINT NOT NULL)`,
	}
}

const userColumns = "SELECT name, role, hash, session_key, made_ms, signed_in_ms FROM dashboard_user "

// Users returns all users by name.
func (s *Store) Users(ctx context.Context) ([]User, error) {
	rows, err := s.db.QueryContext(ctx, userColumns+"ORDER BY name")
	if err != nil {
		return nil, fmt.Errorf("read the users: %w", err)
	}
	defer rows.Close()
	var out []User
	for rows.Next() {
		u, err := scanUser(rows)
		if err != nil {
			return nil, fmt.Errorf("read the users: %w", err)
		}
		out = append(out, u)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read the users: %w", err)
	}
	return out, nil
}

// AnyUser tells whether there is a user.
func (s *Store) AnyUser(ctx context.Context) (bool, error) {
	var any bool
	if err := s.db.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM dashboard_user)").Scan(&any); err != nil {
		return false, fmt.Errorf("look for users: %w", err)
	}
	return any, nil
}

// UserNamed returns the user of a name, or an ErrNoUser.
func (s *Store) UserNamed(ctx context.Context, name string) (User, error) {
	return s.userWhere(ctx, "name", name)
}

// UserOf returns the user whom a session's key stands for, or an ErrNoUser.
func (s *Store) UserOf(ctx context.Context, key string) (User, error) {
	return s.userWhere(ctx, "session_key", key)
}

func (s *Store) userWhere(ctx context.Context, column, value string) (User, error) {
	u, err := scanUser(s.db.QueryRowContext(ctx, userColumns+"WHERE "+column+" = $1", value))
	if errors.Is(err, sql.ErrNoRows) {
		err = ErrNoUser
	}
	if err != nil {
		return User{}, fmt.Errorf("look for a user: %w", err)
	}
	return u, nil
}

func scanUser(row interface{ Scan(...any) error }) (u User, err error) {
	var made, signedIn int64
	if err := row.Scan(&u.Name, &u.Role, &u.Hash, &u.Key, &made, &signedIn); err != nil {
		return User{}, err
	}
	u.Made = time.UnixMilli(made)
	if signedIn > 0 {
		u.SignedIn = time.UnixMilli(signedIn)
	}
	return u, nil
}

// AddUser adds a user, or is an ErrUserKnown.
func (s *Store) AddUser(ctx context.Context, u User) error { return s.addUser(ctx, u, false) }

// AddFirstUser adds a user where there is none yet; else it is an ErrNotFirst.
func (s *Store) AddFirstUser(ctx context.Context, u User) error { return s.addUser(ctx, u, true) }

func (s *Store) addUser(ctx context.Context, u User, first bool) error {
	res, err := s.db.ExecContext(ctx, `INSERT INTO dashboard_user (name, role, hash, session_key, made_ms, signed_in_ms)
		SELECT CAST($1 AS TEXT), CAST($2 AS TEXT), CAST($3 AS TEXT), CAST($4 AS TEXT), CAST($5 AS BIGINT), 0
		WHERE NOT $6 OR NOT EXISTS (SELECT 1 FROM dashboard_user) ON CONFLICT (name) DO NOTHING`,
		u.Name, u.Role, u.Hash, u.Key, s.now().UnixMilli(), first)
	refused := ErrUserKnown
	if first {
		refused = ErrNotFirst
	}
	return changed("add a user", res, err, refused)
}

// SetPassword gives a user another password, and with the new key ends his sessions.
func (s *Store) SetPassword(ctx context.Context, name, hash, key string) error {
	res, err := s.db.ExecContext(ctx, "UPDATE dashboard_user SET hash = $2, session_key = $3 WHERE name = $1", name, hash, key)
	return changed("change a password", res, err, ErrNoUser)
}

// NoteSignIn notes that a user signed in, and forgets the sessions whose time is over.
func (s *Store) NoteSignIn(ctx context.Context, name string) error {
	now := s.now().UnixMilli()
	if _, err := s.db.ExecContext(ctx, "DELETE FROM dashboard_session WHERE expires_ms <= $1", now); err != nil {
		return fmt.Errorf("forget old sessions: %w", err)
	}
	res, err := s.db.ExecContext(ctx, "UPDATE dashboard_user SET signed_in_ms = $2 WHERE name = $1", name, now)
	return changed("note that a user signed in", res, err, ErrNoUser)
}

// changed tells what became of a statement that is to change one user.
func changed(what string, res sql.Result, err error, none error) error {
	if err == nil {
		var n int64
		if n, err = res.RowsAffected(); err == nil && n == 0 {
			err = none
		}
	}
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	return nil
}

// SetRole gives a user another role, and with the new key ends his sessions. It is an
// ErrRoleEmpty where that would take the last user of the role needed.
func (s *Store) SetRole(ctx context.Context, name, role, key, needed string) error {
	return s.keeping(ctx, needed, "change a role", func(tx *sql.Tx) (sql.Result, error) {
		return tx.ExecContext(ctx, "UPDATE dashboard_user SET role = $2, session_key = $3 WHERE name = $1", name, role, key)
	})
}

// DeleteUser deletes a user, and his answer sheets. It is an ErrRoleEmpty where that would take the last user of
// the role needed.
func (s *Store) DeleteUser(ctx context.Context, name, needed string) error {
	return s.keeping(ctx, needed, "delete a user", func(tx *sql.Tx) (sql.Result, error) {
		if _, err := tx.ExecContext(ctx, "DELETE FROM answer_sheet WHERE apprentice = $1", name); err != nil {
			return nil, err
		}
		return tx.ExecContext(ctx, "DELETE FROM dashboard_user WHERE name = $1", name)
	})
}

// keeping does a change unless it leaves nobody of a role.
func (s *Store) keeping(ctx context.Context, role, what string, change func(*sql.Tx) (sql.Result, error)) error {
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	defer tx.Rollback() // nothing is left to undo after the commit
	// PostgreSQL lets two changes run side by side, each of which the other's user would
	// suffice for: touching all users of the role lets the second wait for the first.
	if _, err := tx.ExecContext(ctx, "UPDATE dashboard_user SET role = role WHERE role = $1", role); err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	res, err := change(tx)
	if err := changed(what, res, err, ErrNoUser); err != nil {
		return err
	}
	var left bool
	if err := tx.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM dashboard_user WHERE role = $1)", role).Scan(&left); err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	if !left {
		return fmt.Errorf("%s: %w", what, ErrRoleEmpty)
	}
	return tx.Commit()
}

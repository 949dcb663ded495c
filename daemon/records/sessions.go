package records

import (
	"context"
	"database/sql"
	"encoding/base64"
	"errors"
	"fmt"
	"time"
)

const (
	// touchEvery is how much longer a session must have become before it is written anew:
	// a page that is looked at often is not to write each time.
	touchEvery = time.Minute
	// endedFor is how long it is remembered that a session has ended: longer than any
	// request takes that had begun before.
	endedFor = time.Hour
)

// Session returns the data of a session that is known and whose time is not over.
func (s *Store) Session(ctx context.Context, token string) (data []byte, found bool, err error) {
	var text string
	err = s.db.QueryRowContext(ctx, "SELECT data FROM dashboard_session WHERE token = $1 AND data <> '' AND expires_ms > $2", token, s.now().UnixMilli()).Scan(&text)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, false, nil
	}
	if err == nil {
		data, err = base64.StdEncoding.DecodeString(text)
	}
	if err != nil {
		return nil, false, fmt.Errorf("look for a session: %w", err)
	}
	return data, true, nil
}

// KeepSession keeps a session until an instant. One that has ended stays ended: a request
// that was under way meanwhile does not bring it back.
func (s *Store) KeepSession(ctx context.Context, token string, data []byte, until time.Time) error {
	text := base64.StdEncoding.EncodeToString(data)
	var kept bool // looked up first, so as not to wait for whoever writes results
	err := s.db.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM dashboard_session WHERE token = $1 AND data = $2 AND expires_ms > $3)",
		token, text, until.Add(-touchEvery).UnixMilli()).Scan(&kept)
	if err == nil && !kept {
		_, err = s.db.ExecContext(ctx, `INSERT INTO dashboard_session (token, data, expires_ms) VALUES ($1,$2,$3)
			ON CONFLICT (token) DO UPDATE SET data = excluded.data, expires_ms = excluded.expires_ms WHERE dashboard_session.data <> ''`,
			token, text, until.UnixMilli())
	}
	if err != nil {
		return fmt.Errorf("keep a session: %w", err)
	}
	return nil
}

// EndSession ends a session; one that is not known is none.
func (s *Store) EndSession(ctx context.Context, token string) error {
	if _, err := s.db.ExecContext(ctx, "UPDATE dashboard_session SET data = '', expires_ms = $2 WHERE token = $1", token, s.now().Add(endedFor).UnixMilli()); err != nil {
		return fmt.Errorf("end a session: %w", err)
	}
	return nil
}

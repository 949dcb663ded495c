package records

import (
	"context"
	"encoding/json"
	"fmt"

	"keyturn/protocol"
)

// marksColumns are the document that tells the marks of an answer sheet, as it was when
// they were given, and when a broker had taken it. What was marked before is not
// published: it has none.
func marksColumns() []string {
	return []string{
		"ALTER TABLE answer_sheet ADD COLUMN marks_document TEXT NOT NULL DEFAULT ''",
		"ALTER TABLE answer_sheet ADD COLUMN marks_published TEXT NOT NULL DEFAULT ''",
		"CREATE INDEX answer_sheet_to_publish ON answer_sheet (handed_in, id) WHERE marks_document <> '' AND marks_published = ''",
	}
}

// marksText is a document as it is kept; empty for none.
func marksText(m *protocol.Marks) (string, error) {
	if m == nil {
		return "", nil
	}
	text, err := json.Marshal(m)
	return string(text), err
}

// Unpublished returns the marks that no broker has taken, of what was handed in first at
// the front. Their keeper is not filled in.
func (s *Store) Unpublished(ctx context.Context, most int) ([]*protocol.Marks, error) {
	scan := func(row scanner) (*protocol.Marks, error) {
		var text string
		if err := row.Scan(&text); err != nil {
			return nil, err
		}
		m := &protocol.Marks{}
		return m, json.Unmarshal([]byte(text), m)
	}
	out, err := rows(ctx, s, scan, "SELECT marks_document FROM answer_sheet WHERE marks_document <> '' AND marks_published = '' ORDER BY handed_in, id LIMIT $1", limit(most))
	if err != nil {
		return nil, fmt.Errorf("list the marks that are not published: %w", err)
	}
	return out, nil
}

// Published notes that a broker has taken the marks of an answer sheet. It is an
// ErrNoSheet where the sheet was deleted meanwhile.
func (s *Store) Published(ctx context.Context, sheet string) error {
	res, err := s.db.ExecContext(ctx, "UPDATE answer_sheet SET marks_published=$2 WHERE id=$1", sheet, s.stamp())
	return changed("note that marks are published", res, err, ErrNoSheet)
}

package records

import (
	"context"
	"database/sql"
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
)

// Views are what can be exported as a table: each is a view of the records, with a line
// a slot and key cycle, a line a transition, a line a job and fitting, a line an answer
// sheet that was marked, or a line a slot of a fuse box that was tested.
func Views() []string { return []string{"slots", "transitions", "jobs", "marks", "verdicts"} }

// view reads all of a view, the latest last.
func (s *Store) view(ctx context.Context, view string) (*sql.Rows, error) {
	order := map[string]string{"slots": "bench, wall, cycle, slot", "transitions": "bench, wall, cycle, after_key_on_s, lead", "jobs": "job, slot, accessory", "marks": "apprentice, handed_in, attempt", "verdicts": "bench, wall, test, slot"}[view]
	if order == "" {
		return nil, fmt.Errorf("export %q: there are %s", view, strings.Join(Views(), ", "))
	}
	if err := s.listAll(ctx); err != nil {
		return nil, fmt.Errorf("export %s: %w", view, err)
	}
	rows, err := s.db.QueryContext(ctx, "SELECT * FROM "+view+" ORDER BY "+order)
	if err != nil {
		return nil, fmt.Errorf("export %s: %w", view, err)
	}
	return rows, nil
}

// ExportCSV writes a view as CSV, its column names first, the latest key cycles last. A
// text that a spreadsheet would take for a formula gets an apostrophe before it.
func (s *Store) ExportCSV(ctx context.Context, w io.Writer, view string) error {
	rows, err := s.view(ctx, view)
	if err != nil {
		return err
	}
	defer rows.Close()
	names, err := rows.Columns()
	if err != nil {
		return fmt.Errorf("export %s: %w", view, err)
	}
	out := csv.NewWriter(w)
	if err := out.Write(names); err != nil {
		return fmt.Errorf("export %s: %w", view, err)
	}
	values, line := make([]any, len(names)), make([]string, len(names))
	for i := range values {
		values[i] = new(any)
	}
	for rows.Next() {
		if err := rows.Scan(values...); err != nil {
			return fmt.Errorf("export %s: %w", view, err)
		}
		for i, v := range values {
			line[i] = cell(*v.(*any), names[i])
		}
		if err := out.Write(line); err != nil {
			return fmt.Errorf("export %s: %w", view, err)
		}
	}
	out.Flush()
	if err := rows.Err(); err != nil {
		return fmt.Errorf("export %s: %w", view, err)
	}
	if err := out.Error(); err != nil {
		return fmt.Errorf("export %s: %w", view, err)
	}
	return nil
}

// cell is a value as both databases' files have it: a truth is true or false.
func cell(v any, name string) string {
	switch x := v.(type) {
	case nil:
		return ""
	case bool:
		return strconv.FormatBool(x)
	case int64:
		if name == "final" || name == "off_in_start" { // SQLite has no truths
			return strconv.FormatBool(x != 0)
		}
		return strconv.FormatInt(x, 10)
	case float64:
		return strconv.FormatFloat(x, 'g', -1, 64)
	case []byte:
		return harmless(wholeSeconds(string(x), name))
	case string:
		return harmless(wholeSeconds(x, name))
	}
	return fmt.Sprint(v)
}

// wholeSeconds leaves out of when answers were handed in what no spreadsheet reads as a
// time.
func wholeSeconds(s, name string) string {
	if name != "handed_in" {
		return s
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return s
	}
	return t.UTC().Format(time.RFC3339)
}

// harmless keeps a spreadsheet from running what a legend says (OWASP, CSV injection).
func harmless(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

// ExportJSON writes every result as it came, a line each, stream by stream in the order
// of their numbers.
func (s *Store) ExportJSON(ctx context.Context, w io.Writer) error {
	rows, err := s.db.QueryContext(ctx, "SELECT payload FROM result ORDER BY bench, stream, seq")
	if err != nil {
		return fmt.Errorf("export results: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var payload sql.RawBytes
		if err := rows.Scan(&payload); err != nil {
			return fmt.Errorf("export results: %w", err)
		}
		if _, err := fmt.Fprintf(w, "%s\n", payload); err != nil {
			return fmt.Errorf("export results: %w", err)
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("export results: %w", err)
	}
	return nil
}

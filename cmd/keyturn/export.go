package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"keyturn/daemon/records"
)

// export writes the records for other programs.
type export struct {
	Records string `help:"The records: a file, or postgres://user@host/database." default:"records.db" placeholder:"FILE"`
	Format  string `help:"csv or parquet; results are JSON lines whatever is said." enum:"csv,parquet" default:"csv"`
	What    string `arg:"" enum:"slots,transitions,jobs,marks,verdicts,results" help:"slots: a line a slot and key cycle; transitions: a line a transition; jobs: a line a job and fitting; marks: a line an answer sheet that was marked; verdicts: a line a slot of a fuse box that was tested; results: every document as it came, as JSON."`
}

// Run writes to standard output.
func (e *export) Run(ctx context.Context) (err error) {
	s, err := records.Open(ctx, records.Options{URL: e.Records, MustExist: true})
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("name the records with --records FILE, or postgres://user@host/database: %w", err)
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	w := bufio.NewWriter(os.Stdout)
	switch {
	case e.What == "results":
		err = s.ExportJSON(ctx, w)
	case e.Format == "parquet":
		err = s.ExportParquet(ctx, w, e.What)
	default:
		err = s.ExportCSV(ctx, w, e.What)
	}
	return errors.Join(err, w.Flush())
}

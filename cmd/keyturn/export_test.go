package main

import (
	"errors"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

// Records that are not there are asked for by the flag that names them.
func TestExportAsksForTheRecords(t *testing.T) {
	file := filepath.Join(t.TempDir(), "records.db")
	err := (&export{Records: file, Format: "csv", What: "marks"}).Run(t.Context())
	if err == nil || !errors.Is(err, fs.ErrNotExist) || !strings.HasPrefix(err.Error(), "name the records with --records FILE") || !strings.Contains(err.Error(), file) {
		t.Error(err)
	}
}

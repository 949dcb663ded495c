package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"keyturn/daemon/records"
	"keyturn/protocol"
)

// oneCycle names a key cycle: a document, or one in the records.
type oneCycle struct {
	Document string `arg:"" optional:"" name:"file" help:"A key cycle document as JSON; - for standard input. Or name one in the records:" placeholder:"FILE"`
	Records  string `help:"The records: a file, or postgres://user@host/database." placeholder:"FILE" and:"cycle"`
	Bench    string `help:"The bench that measured it." and:"cycle"`
	Cycle    string `help:"The id of the key cycle." and:"cycle"`
}

// read reads it.
func (c *oneCycle) read(ctx context.Context) (*protocol.Cycle, error) {
	switch {
	case (c.Document == "") == (c.Records == ""):
		return nil, errors.New("name one key cycle: a file, - for standard input, or --records with --bench and --cycle")
	case c.Records != "":
		return c.kept(ctx)
	case c.Document == "-":
		return readCycle(os.Stdin)
	}
	return readCycleFile(c.Document)
}

func readCycleFile(name string) (*protocol.Cycle, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, fmt.Errorf("read the key cycle: %w", err)
	}
	defer f.Close()
	return readCycle(f)
}

func (c *oneCycle) kept(ctx context.Context) (y *protocol.Cycle, err error) {
	s, err := records.Open(ctx, records.Options{URL: c.Records, MustExist: true})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	return s.Cycle(ctx, c.Bench, c.Cycle)
}

// readCycle reads one key cycle document.
func readCycle(r io.Reader) (*protocol.Cycle, error) {
	text, err := io.ReadAll(io.LimitReader(r, protocol.MaxDocumentBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read the key cycle: %w", err)
	}
	d, err := protocol.Decode(text)
	if err != nil {
		return nil, fmt.Errorf("read the key cycle: %w; keyturn demo --json writes one", err)
	}
	y, ok := d.(*protocol.Cycle)
	if !ok {
		return nil, fmt.Errorf("%T is no key cycle: give the document of result/cycle", d)
	}
	return y, nil
}

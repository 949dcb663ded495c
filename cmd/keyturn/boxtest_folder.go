package main

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"time"

	"keyturn/daemon/config"
	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// testFolder is where a test is kept: test.json says what is tested, round-NN.json are the
// key cycles, verdict.json is what is said so far. Where it was begun a test goes on.
type testFolder struct {
	name string
	plan testPlan
}

// testPlan is what must be the same where a test goes on.
type testPlan struct {
	Test        string         `json:"test"` // its id
	Bench       string         `json:"bench"`
	Box         string         `json:"box"`
	BoxFileHash string         `json:"box_file_hash"`
	Supersedes  string         `json:"supersedes,omitempty"`
	Job         string         `json:"job,omitempty"`
	Rounds      []config.Round `json:"rounds"`
	// Further are the rounds that were added once all those were measured.
	Further []config.Round `json:"further,omitempty"`
	Limits  judge.Limits   `json:"limits"`
	// Before is what was seen and measured before power; nil: not yet.
	Before *protocol.BeforePower `json:"before"`
	// Revision is that of the verdict that was published last.
	Revision int `json:"revision"`
}

const (
	planFile    = "test.json"
	verdictFile = "verdict.json"
)

func roundFile(n int) string { return fmt.Sprintf("round-%02d.json", n+1) }

// openTestFolder makes a folder for a test, or reads the one that it goes on in: then the
// rounds that were measured are in the test. An empty name makes one.
func openTestFolder(name string, t *boxTesting) (*testFolder, error) {
	now := time.Now()
	f := &testFolder{name: name, plan: testPlan{Test: now.UTC().Format("t-20060102-150405"), Bench: t.bench.ID, Box: t.box.ID, BoxFileHash: t.doc.BoxFileHash,
		Supersedes: string(t.doc.Supersedes), Job: string(t.doc.Job), Rounds: t.rounds, Limits: t.limits}}
	if name == "" {
		f.name = fmt.Sprintf("%s-%s", t.box.ID, now.Format("20060102-150405"))
	}
	if err := os.MkdirAll(f.name, 0o755); err != nil {
		return nil, fmt.Errorf("make a folder for the test: %w", err)
	}
	switch old, err := readPlan(f.name); {
	case errors.Is(err, fs.ErrNotExist):
		err = f.write(planFile, f.plan)
		t.doc.ID = f.plan.Test
		return f, err
	case err != nil:
		return nil, err
	default:
		if err := old.same(&f.plan, f.name); err != nil {
			return nil, err
		}
		f.plan = old
	}
	t.doc.ID, t.doc.Revision, t.doc.Job, t.anew = f.plan.Test, f.plan.Revision, protocol.OrNull(f.plan.Job), true
	if sound(f.plan.Before) {
		t.doc.Before = f.plan.Before
	}
	t.rounds = slices.Concat(t.rounds, f.plan.Further)
	for n := range t.rounds {
		c, err := readCycleFile(filepath.Join(f.name, roundFile(n)))
		if errors.Is(err, fs.ErrNotExist) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", filepath.Join(f.name, roundFile(n)), err)
		}
		t.cycles = append(t.cycles, c)
	}
	if len(t.cycles) <= t.planned {
		t.rounds = t.rounds[:t.planned] // what is to be added hangs on what is measured
	}
	if len(t.cycles) > 0 {
		t.say()
		fmt.Fprintf(t.out, "Test %s goes on: %d of %d rounds are measured.\n", t.doc.ID, len(t.cycles), len(t.rounds))
	}
	return f, nil
}

// sound reports whether nothing was in the way of full power.
func sound(p *protocol.BeforePower) bool {
	return p != nil && !slices.ContainsFunc(p.Feeds, func(f protocol.LimitedFeed) bool { return !f.Holds })
}

func readPlan(folder string) (p testPlan, err error) {
	text, err := os.ReadFile(filepath.Join(folder, planFile))
	if err != nil {
		return p, fmt.Errorf("read what is tested: %w", err)
	}
	if err := json.Unmarshal(text, &p); err != nil {
		return p, fmt.Errorf("read what is tested from %s: %w", filepath.Join(folder, planFile), err)
	}
	return p, nil
}

// same returns what is not the same.
func (p *testPlan) same(now *testPlan, folder string) error {
	for _, x := range []struct {
		what string
		same bool
	}{
		{"on another bench", p.Bench == now.Bench}, {"of another box", p.Box == now.Box}, {"held to another box file", p.BoxFileHash == now.BoxFileHash},
		{"of other slots, or the bench file was changed", slices.EqualFunc(p.Rounds, now.Rounds, func(a, b config.Round) bool { return reflect.DeepEqual(a, b) })},
		{"with other limits, or another --crank-source", reflect.DeepEqual(p.Limits, now.Limits)}, {"after another test", p.Supersedes == now.Supersedes},
	} {
		if !x.same {
			return fmt.Errorf("the test in %s is %s: go on with what it was begun with, or name another folder", folder, x.what)
		}
	}
	return nil
}

// begun notes that somebody has looked at the box.
func (f *testFolder) begun(p *protocol.BeforePower) error {
	f.plan.Before = p
	return f.write(planFile, f.plan)
}

// back forgets the rounds from one on: what is measured again comes after what is left.
func (f *testFolder) back(t *boxTesting, from int) error {
	for n := from; n < len(t.rounds); n++ {
		if err := os.Remove(filepath.Join(f.name, roundFile(n))); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("go back to round %d: %w", from+1, err)
		}
	}
	return nil
}

// keep writes the latest round and what is said since.
func (f *testFolder) keep(t *boxTesting) error {
	n := len(t.cycles) - 1
	if err := f.document(roundFile(n), t.cycles[n]); err != nil {
		return err
	}
	d := t.doc
	d.ResultHeader = t.cycles[n].ResultHeader
	if err := f.document(verdictFile, &d); err != nil {
		return err
	}
	f.plan.Revision, f.plan.Further = d.Revision, t.rounds[t.planned:]
	return f.write(planFile, f.plan)
}

func (f *testFolder) document(name string, d protocol.Document) error {
	text, err := protocol.Encode(d)
	if err != nil {
		return fmt.Errorf("keep %s: %w", name, err)
	}
	return f.bytes(name, text)
}

func (f *testFolder) write(name string, v any) error {
	text, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return fmt.Errorf("keep %s: %w", name, err)
	}
	return f.bytes(name, text)
}

// bytes writes a file whole or not at all.
func (f *testFolder) bytes(name string, text []byte) error {
	path := filepath.Join(f.name, name)
	err := writeSynced(path+".new", append(text, '\n'))
	if err == nil {
		err = os.Rename(path+".new", path)
	}
	if err != nil {
		return fmt.Errorf("keep the test: %w; make room, and go on with --keep %s", err, f.name)
	}
	return nil
}

// writeSynced writes a file that is on the disk when it returns.
func writeSynced(path string, text []byte) error {
	file, err := os.Create(path)
	if err != nil {
		return err
	}
	_, err = file.Write(text)
	return errors.Join(err, file.Sync(), file.Close())
}

// readKeptVerdict reads what a test said last.
func readKeptVerdict(folder string) (*protocol.Verdict, error) {
	text, err := os.ReadFile(filepath.Join(folder, verdictFile))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s is not the folder of a finished test: it has no %s", folder, verdictFile)
	}
	if err != nil {
		return nil, fmt.Errorf("read the verdict of the earlier test: %w", err)
	}
	d, err := protocol.Decode(text)
	if err != nil {
		return nil, fmt.Errorf("read the verdict of the earlier test: %w", err)
	}
	v, ok := d.(*protocol.Verdict)
	if !ok {
		return nil, fmt.Errorf("%s is no verdict", filepath.Join(folder, verdictFile))
	}
	return v, nil
}

// readHashedBox reads a box file that somebody has signed, and its SHA-256 in hex.
func readHashedBox(name string) (box config.Box, hash string, err error) {
	if box, err = finishedBox(name, "what each slot should do"); err != nil {
		return box, "", err
	}
	text, err := os.ReadFile(name)
	if err != nil {
		return box, "", fmt.Errorf("read the box file: %w", err)
	}
	sum := sha256.Sum256(text)
	return box, hex.EncodeToString(sum[:]), nil
}

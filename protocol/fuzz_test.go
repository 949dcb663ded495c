package protocol_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"keyturn/protocol"
)

// refusal fails the test unless err is a readable *protocol.Error that wraps one
// of the causes and says where.
func refusal(t *testing.T, err error, causes ...error) {
	t.Helper()
	var e *protocol.Error
	if !errors.As(err, &e) {
		t.Fatalf("%T is no *protocol.Error: %v", err, err)
	}
	known := false
	for _, c := range causes {
		known = known || errors.Is(err, c)
	}
	// 1 kB is far above what clipped texts can add up to.
	if text := err.Error(); !known || e.Where == "" || !utf8.ValidString(text) || len(text) > 1024 {
		t.Errorf("a cause that is not told, no place, or no readable text: %q", text)
	}
}

func decodeCauses() []error {
	return []error{protocol.ErrTooLarge, protocol.ErrSyntax, protocol.ErrVersion, protocol.ErrKind, protocol.ErrMember, protocol.ErrID}
}

// description is the bench description in a document; nil if it has none.
func description(d protocol.Document) *protocol.Description {
	switch d := d.(type) {
	case *protocol.Bench:
		return &d.Description
	case *protocol.BenchResult:
		return &d.Description
	}
	return nil
}

// Whatever is decoded is encoded to a form that stays as it is, and is filed
// under a topic that leads back to its row.
func FuzzDocument(f *testing.F) {
	all := examples()
	for _, name := range names(all) {
		text, err := os.ReadFile(filepath.Join("testdata", "golden", name+".json"))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
		compact, err := protocol.Encode(all[name])
		if err != nil {
			f.Fatal(err)
		}
		f.Add(compact)
	}
	gap, err := protocol.Encode(all["result-gap"])
	if err != nil {
		f.Fatal(err)
	}
	// Where rounding moves the number at each writing.
	f.Add(bytes.Replace(gap, []byte(`"wall_err_ms":20`), []byte(`"wall_err_ms":4469903233727.69`), 1))
	f.Add(bytes.Replace(gap, []byte(`"wall_err_ms":20`), []byte(`"wall_err_ms":1e308`), 1))
	// Where a text is clipped within a letter.
	f.Add(bytes.Replace(gap, []byte(`"bench-1"`), []byte(`"x`+strings.Repeat("ü", 40)+`"`), 1))
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := protocol.Decode(data)
		if err != nil {
			if d != nil {
				t.Errorf("a document beside an error: %+v", d)
			}
			refusal(t, err, decodeCauses()...)
			return
		}
		m := protocol.MessageOf(d)
		if _, result := d.(protocol.Result); result != m.Result || d.Head().Kind != m.Kind || d.Head().Version != protocol.Version {
			t.Errorf("%T with the header %+v is filed as %+v", d, d.Head(), m)
		}
		topic, err := protocol.TopicOf(protocol.DefaultRoot, d)
		if err != nil {
			t.Fatalf("decoded, but it has no topic: %v", err)
		}
		if bench, row, _, err := protocol.ParseTopic(protocol.DefaultRoot, topic); err != nil || bench != d.Head().Bench || row != m {
			t.Errorf("%s is taken for bench %q, %+v, %v; want %q, %+v", topic, bench, row, err, d.Head().Bench, m)
		}

		once, err := protocol.Encode(d)
		if err != nil {
			// Numbers written out in full may need more room than was read.
			refusal(t, err, protocol.ErrTooLarge)
			return
		}
		back, err := protocol.Decode(once)
		if err != nil {
			t.Fatalf("encoded, but not decoded: %v\n%s", err, once)
		}
		twice, err := protocol.Encode(back)
		if err != nil || !bytes.Equal(once, twice) {
			t.Errorf("decoded and encoded again it is\n%s\nnot\n%s (%v)", twice, once, err)
		}
		if was := description(d); was != nil {
			rev, err := was.Revision()
			again, err2 := description(back).Revision()
			if err != nil || err2 != nil || rev != again {
				t.Errorf("revision %s (%v), written and read %s (%v)", rev, err, again, err2)
			}
		}
	})
}

// A topic is taken apart into what makes it again, and nothing else is taken for
// a topic.
func FuzzTopic(f *testing.F) {
	for _, m := range protocol.Messages() {
		ids := []string{"one", "two"}[:strings.Count(m.Name, "{")]
		topic, err := m.Topic(protocol.DefaultRoot, "bench-1", ids...)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(protocol.DefaultRoot, topic)
	}
	f.Add("shop/bay-2", "shop/bay-2/v1/b/result/cycle")
	f.Add("a/b/c/d/e", "a/b/c/d/e/v1/b/now")
	f.Add("", "/v1/b/now")
	f.Add("keyturn", "")
	f.Add("keyturn", "x"+strings.Repeat("ü", 40))
	f.Add("keyturn", "keyturn/v1/+/now")
	f.Add("keyturn", "keyturn/v1/b/result/")
	f.Fuzz(func(t *testing.T, root, topic string) {
		bench, m, ids, err := protocol.ParseTopic(root, topic)
		if err != nil {
			if bench != "" || m != (protocol.Message{}) || ids != nil {
				t.Errorf("bench %q and %+v beside an error", bench, m)
			}
			refusal(t, err, protocol.ErrTopic, protocol.ErrID)
			return
		}
		made, err := m.Topic(root, bench, ids...)
		if err != nil || made != topic {
			t.Errorf("%q under %q is bench %q, message %s, whose topic is %q, %v", topic, root, bench, m.Name, made, err)
		}
		if strings.ContainsAny(topic, "+#\x00 ") || !strings.HasPrefix(topic, root+"/") {
			t.Errorf("%q is taken for a topic under %q", topic, root)
		}
	})
}

package main

import (
	"bytes"
	"image"
	"image/png"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/url"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"keyturn/daemon/link"
	"keyturn/daemon/link/linktest"
	"keyturn/protocol"
)

// A vehicle and its owner are in the records only: whatever becomes of a job, nothing of
// it reaches the broker. The receipt for a result that comes last tells that all before
// it was seen.
func TestJobsAreNeverPublished(t *testing.T) {
	broker := linktest.Start(t, "")
	s, err := startShop(t.Context(), shopOptions{broker: link.Broker{URL: broker.URL()}, root: protocol.DefaultRoot, records: filepath.Join(t.TempDir(), "records.db"),
		keeper: "records", client: "shop", listen: "127.0.0.1:0", logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var seen []string
	receipt := false
	sub, err := link.Subscribe(t.Context(), broker.URL(), "watcher", "#", func(m link.Message) {
		mu.Lock()
		defer mu.Unlock()
		seen = append(seen, m.Topic+" "+string(m.Payload))
		receipt = receipt || strings.Contains(m.Topic, "/stored/records")
	})
	if err != nil {
		t.Fatal(err)
	}
	defer sub.Close()
	const telltale = "ZZTELLTALE"
	post := func(path, kind string, body []byte) {
		t.Helper()
		r, err := http.Post("http://"+s.address+path, kind, bytes.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		r.Body.Close()
		if r.StatusCode != http.StatusOK { // where the answer led to
			t.Fatalf("POST %s: %s", path, r.Status)
		}
	}
	form := func(path string, v url.Values) {
		t.Helper()
		post(path, "application/x-www-form-urlencoded", []byte(v.Encode()))
	}
	form("/jobs/new/vehicle", url.Values{"Registration": {telltale}, "VIN": {"ZZTE11TA1E0000000"}, "Model": {telltale}, "Part": {telltale}})
	form("/job/1/fitting", url.Values{"Accessory": {telltale}, "Slot": {"f01"}, "EarthPoint": {telltale}, "FittedBy": {telltale}})
	form("/job/1/codes", url.Values{"Phase": {"before"}, "Codes": {telltale}})
	form("/job/1/notes", url.Values{"Text": {telltale}})
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	part, err := m.CreateFormFile("Photo", telltale+".png")
	if err == nil {
		err = png.Encode(part, image.NewGray(image.Rect(0, 0, 40, 40)))
	}
	if err != nil || m.Close() != nil {
		t.Fatal("make a form with a photo", err)
	}
	post("/job/1/photos", m.FormDataContentType(), b.Bytes())
	if _, page := get(t, "http://"+s.address+"/job/1"); strings.Count(page, telltale) < 6 {
		t.Fatal("the job is not kept: the test sees nothing")
	}
	form("/job/1/close", nil)
	form("/job/1/delete", nil)

	fault := &protocol.BenchFault{ResultHeader: protocol.ResultHeader{Header: protocol.Header{Bench: "bench-1", Boot: "0123abcd", MonoNS: 1}, Stream: "s", Seq: 1, BenchRev: "r"}, Reason: "test", Count: 1}
	topic, err := protocol.TopicOf(protocol.DefaultRoot, fault)
	if err != nil {
		t.Fatal(err)
	}
	payload, err := protocol.Encode(fault)
	if err != nil {
		t.Fatal(err)
	}
	waitUntil(t, "a receipt comes", func() bool {
		// The keeper may not have subscribed yet: what comes twice is kept once.
		if err := sub.Publish(t.Context(), topic, false, payload); err != nil {
			t.Fatal(err)
		}
		mu.Lock()
		defer mu.Unlock()
		return receipt
	})
	if err := s.close(); err != nil {
		t.Error(err)
	}
	mu.Lock()
	defer mu.Unlock()
	for _, x := range seen {
		if strings.Contains(x, telltale) || strings.Contains(x, "ZZTE11TA1E") {
			t.Errorf("published: %.300s", x)
		}
	}
}

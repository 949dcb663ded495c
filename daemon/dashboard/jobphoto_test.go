package dashboard

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/jpeg"
	"image/png"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"
)

// upload posts a photo.
func upload(t *testing.T, h http.Handler, path, caption, fileName string, file []byte) *httptest.ResponseRecorder {
	t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	must(t, m.WriteField("Caption", caption))
	part, err := m.CreateFormFile("Photo", fileName)
	must(t, err)
	_, err = part.Write(file)
	must(t, err)
	must(t, m.Close())
	return post(h, path, m.FormDataContentType(), b.Bytes())
}

func jpegOf(t *testing.T, w, h int) []byte {
	t.Helper()
	m := image.NewGray(image.Rect(0, 0, w, h))
	for i := range m.Pix {
		m.Pix[i] = byte(i)
	}
	var b bytes.Buffer
	must(t, jpeg.Encode(&b, m, nil))
	return b.Bytes()
}

// bigPNG is a small file that claims a large picture.
func bigPNG(t *testing.T) []byte {
	t.Helper()
	var b bytes.Buffer
	must(t, png.Encode(&b, image.NewGray(image.Rect(0, 0, 20, 20))))
	file := b.Bytes() // eight bytes, then a length, IHDR, width and height
	binary.BigEndian.PutUint32(file[16:], 9000)
	binary.BigEndian.PutUint32(file[20:], 9000)
	binary.BigEndian.PutUint32(file[29:], crc32.ChecksumIEEE(file[12:29]))
	return file
}

// A photo is taken by what it holds and served under a name of ours; what is none is
// refused beside its field, and its caption is not lost.
func TestPhotosOfAJob(t *testing.T) {
	h, s := shopPages(t)
	job := sent(t, h, "/jobs/new/box", "Serial", "SN 1")
	good := jpegOf(t, 3000, 100)
	for name, c := range map[string]struct {
		fileName string
		file     []byte
		want     string
	}{ // each by itself
		"none":      {"", nil, "Choose a photo first"},
		"html":      {"x.jpg", []byte("<html><script>alert(1)</script>"), "neither a JPEG nor a PNG"},
		"polyglot":  {"x.jpg", append([]byte("\xff\xd8\xff\xe0<script>"), good...), "damaged"},
		"truncated": {"x.jpg", good[:len(good)/2], "not whole"},
		"bomb":      {"x.png", bigPNG(t), "40 megapixels"},
		"10 MB":     {"x.jpg", append(bytes.Clone(good), make([]byte, 10<<20)...), "at most 8 MB"},
		"40 MB":     {"x.jpg", make([]byte, 40<<20), "far larger than 8 MB"},
	} {
		doc, _ := answer(t, upload(t, h, job+"/photos", "my caption", c.fileName, c.file), http.StatusUnprocessableEntity)
		has(t, name, words(all(doc, "div", "role")[0]), c.want)
		if i := slices.IndexFunc(all(doc, "input", "name"), func(n *html.Node) bool { return attr(n, "value") == "my caption" }); i < 0 {
			t.Errorf("%s: the caption is lost", name)
		}
	}
	if w := post(h, job+"/photos", "text/plain", []byte("x")); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("no form at all: %d", w.Code)
	}
	if w := upload(t, h, job+"/photos", strings.Repeat("x", 300), "x.jpg", good); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("a long caption: %d", w.Code)
	}
	for _, fileName := range []string{"../../etc/passwd", `C:\x\y.jpg`, "x\r\nSet-Cookie: a=b.jpg", strings.Repeat("a", 5000), "<script>.svg", ".."} {
		if w := upload(t, h, job+"/photos", "", fileName, good); w.Code != http.StatusSeeOther {
			t.Errorf("%q: %d", fileName, w.Code)
		}
	}
	f, err := s.Job(context.Background(), 1)
	must(t, err)
	if len(f.Photos) != 6 || f.Photos[0].Width != 1600 {
		t.Fatalf("%+v", f.Photos)
	}
	for _, size := range []string{"large", "small"} {
		w := get(h, fmt.Sprintf("%s/photo/%d/%s", job, f.Photos[2].ID, size))
		for name, want := range map[string]string{"Content-Type": "image/jpeg", "X-Content-Type-Options": "nosniff", "Cache-Control": "no-store",
			"Content-Disposition": fmt.Sprintf(`inline; filename="job-1-photo-%d.jpg"`, f.Photos[2].ID)} { // each by itself
			if got := w.Header().Get(name); w.Code != http.StatusOK || got != want {
				t.Errorf("%s: %d, %s is %q, want %q", size, w.Code, name, got, want)
			}
		}
		if c, err := jpeg.DecodeConfig(w.Body); err != nil || c.Width != map[string]int{"large": 1600, "small": 320}[size] {
			t.Errorf("%s: %v, %+v", size, err, c)
		}
	}
	doc, _ := pageAt(t, h, job, http.StatusOK)
	if n := len(all(doc, "img", "alt")); n != 6 {
		t.Errorf("%d photos on the page, want 6", n)
	}
	sent(t, h, fmt.Sprintf("%s/photo/%d/delete", job, f.Photos[2].ID))
	if w := get(h, fmt.Sprintf("%s/photo/%d/large", job, f.Photos[2].ID)); w.Code != http.StatusNotFound {
		t.Errorf("a deleted photo: %d", w.Code)
	}
}

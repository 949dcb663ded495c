package photo

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"
)

// quarters has a colour of its own in each corner: red, green, blue, white from the top
// left, row by row.
func quarters(w, h int) image.Image {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			m.Set(x, y, []color.RGBA{{200, 0, 0, 255}, {0, 200, 0, 255}, {0, 0, 200, 255}, {255, 255, 255, 255}}[2*(2*y/h)+2*x/w])
		}
	}
	return m
}

func asJPEG(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func asPNG(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// withEXIF puts an APP1 segment with an orientation, a maker and a place behind the
// start of a JPEG (CIPA DC-008: TIFF header, IFD0, its GPS IFD).
func withEXIF(file []byte, orientation uint16) []byte {
	var t bytes.Buffer
	put := func(values ...any) {
		for _, v := range values {
			binary.Write(&t, binary.BigEndian, v)
		}
	}
	put([]byte("MM\x00*"), uint32(8))
	put(uint16(3))                                               // IFD0 at 8: three entries, then no next one
	put(uint16(0x010f), uint16(2), uint32(12), uint32(8+2+36+4)) // Make at 50
	put(uint16(0x0112), uint16(3), uint32(1), orientation, uint16(0))
	put(uint16(0x8825), uint16(4), uint32(1), uint32(62)) // GPS IFD at 62
	put(uint32(0), []byte("TELLTALECAM\x00"))
	put(uint16(2))
	put(uint16(1), uint16(2), uint32(2), []byte("N\x00\x00\x00")) // GPSLatitudeRef
	put(uint16(2), uint16(5), uint32(3), uint32(92))              // GPSLatitude at 92
	put(uint32(0), uint32(51), uint32(1), uint32(28), uint32(1), uint32(4242), uint32(100))
	body := append([]byte("Exif\x00\x00"), t.Bytes()...)
	segment := append([]byte{0xff, 0xe1, byte((len(body) + 2) >> 8), byte(len(body) + 2)}, body...)
	return append(append([]byte{0xff, 0xd8}, segment...), file[2:]...)
}

func decoded(t testing.TB, file []byte) image.Image {
	t.Helper()
	m, err := jpeg.Decode(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// corners names the colours of the corners from the top left, row by row.
func corners(m image.Image) string {
	b := m.Bounds()
	name := func(x, y int) string {
		r, g, bl, _ := m.At(b.Min.X+x, b.Min.Y+y).RGBA()
		switch r, g, bl := r > 0x8000, g > 0x8000, bl > 0x8000; {
		case r && g && bl:
			return "w"
		case r:
			return "r"
		case g:
			return "g"
		case bl:
			return "b"
		}
		return "?"
	}
	w, h := b.Dx(), b.Dy()
	return name(w/4, h/4) + name(3*w/4, h/4) + name(w/4, 3*h/4) + name(3*w/4, 3*h/4)
}

// CIPA DC-008 (EXIF), tag 274: where the first row and the first column are to be seen.
func TestPhotosStandUpright(t *testing.T) {
	plain := asJPEG(t, quarters(400, 200))
	for tag, want := range map[uint16]string{ // each by itself
		0: "rgbw", 1: "rgbw", 2: "grwb", 3: "wbgr", 4: "bwrg", 5: "rbgw", 6: "brwg", 7: "wgbr", 8: "gwrb", 9: "rgbw", 65535: "rgbw",
	} {
		p, err := Make(withEXIF(plain, tag))
		if err != nil {
			t.Fatal(err)
		}
		w, h := 400, 200
		if tag >= 5 && tag <= 8 {
			w, h = h, w
		}
		m := decoded(t, p.Large)
		if got := corners(m); got != want || p.Width != w || p.Height != h || m.Bounds().Dx() != w {
			t.Errorf("orientation %d: %s of %d × %d, want %s of %d × %d", tag, got, p.Width, p.Height, want, w, h)
		}
	}
}

// Nothing of a file is passed on but its picture: a JPEG of ours has the five segments
// that a picture needs and no others.
func TestOnlyThePictureIsKept(t *testing.T) {
	file := withEXIF(asJPEG(t, quarters(400, 200)), 1)
	file = append(file, "<script>TELLTALE</script>PK\x03\x04"...) // a second file behind it
	if !bytes.Contains(file, []byte("TELLTALECAM")) {
		t.Fatal("the test's file has nothing to lose")
	}
	p, err := Make(file)
	if err != nil {
		t.Fatal(err)
	}
	for name, made := range map[string][]byte{"large": p.Large, "small": p.Small} { // each by itself
		for _, word := range []string{"TELLTALE", "Exif", "JFIF", "script", "PK\x03\x04", "ICC_PROFILE"} {
			if bytes.Contains(made, []byte(word)) {
				t.Errorf("%s: has %q", name, word)
			}
		}
		for i := 2; made[i+1] != 0xda; i += 2 + int(binary.BigEndian.Uint16(made[i+2:])) {
			if kind := made[i+1]; kind != 0xdb && kind != 0xc0 && kind != 0xc4 { // tables and the frame
				t.Errorf("%s: a segment %#x", name, kind)
			}
		}
		if !bytes.HasSuffix(made, []byte{0xff, 0xd9}) {
			t.Errorf("%s: something stands behind its end", name)
		}
	}
}

func TestSizes(t *testing.T) {
	for _, c := range []struct{ w, h, wantW, wantH int }{{3300, 660, 1600, 320}, {1601, 40, 1600, 39}, {1600, 900, 1600, 900}, {100, 3000, 53, 1600}, {20, 16, 20, 16}, {16, 20000, 1, 1600}} {
		m := image.NewGray(image.Rect(0, 0, c.w, c.h))
		for i := range m.Pix {
			m.Pix[i] = 255 * byte(i%2) // of an even width: stripes that average to grey
		}
		for name, file := range map[string][]byte{"jpeg": asJPEG(t, m), "png": asPNG(t, m)} { // each by itself
			p, err := Make(file)
			if err != nil || p.Width != c.wantW || p.Height != c.wantH {
				t.Fatalf("%s %d × %d: %v, %d × %d, want %d × %d", name, c.w, c.h, err, p.Width, p.Height, c.wantW, c.wantH)
			}
			if b := decoded(t, p.Small).Bounds(); max(b.Dx(), b.Dy()) != min(smallSide, max(c.w, c.h)) {
				t.Errorf("%s %d × %d: small is %v", name, c.w, c.h, b)
			}
			if r, _, _, _ := decoded(t, p.Large).At(c.wantW/2, c.wantH/2).RGBA(); c.w == 3300 && (r < 0x7000 || r > 0x9000) {
				t.Errorf("%s: stripes became %#x: pixels were passed over", name, r)
			}
		}
	}
	clear := image.NewNRGBA(image.Rect(0, 0, 64, 64))
	p, err := Make(asPNG(t, clear))
	if err != nil {
		t.Fatal(err)
	}
	if r, _, _, _ := decoded(t, p.Large).At(32, 32).RGBA(); r < 0xf000 {
		t.Errorf("what is transparent is %#x, want white", r)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	noise := image.NewRGBA(image.Rect(0, 0, 1600, 1600))
	for i := range noise.Pix {
		noise.Pix[i] = byte(rng.Uint32())
	}
	if p := encode(noise); len(p) > 3<<20 {
		t.Errorf("the worst picture has %d bytes", len(p))
	}
}

// bomb is a PNG of a size that is only claimed, or nearly: what follows is short.
func bomb(w, h uint32, depth byte) []byte {
	var b bytes.Buffer
	b.WriteString("\x89PNG\r\n\x1a\n")
	chunk := func(kind string, data []byte) {
		binary.Write(&b, binary.BigEndian, uint32(len(data)))
		body := append([]byte(kind), data...)
		b.Write(body)
		binary.Write(&b, binary.BigEndian, crc32.ChecksumIEEE(body))
	}
	head := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, w), h)
	chunk("IHDR", append(head, depth, 6, 0, 0, 0))
	var z bytes.Buffer
	zw := zlib.NewWriter(&z)
	zw.Write(make([]byte, 4<<20))
	zw.Close()
	chunk("IDAT", z.Bytes())
	chunk("IEND", nil)
	return b.Bytes()
}

func TestWhatIsNoPhotoIsRefused(t *testing.T) {
	whole := asJPEG(t, quarters(400, 200))
	wholePNG := asPNG(t, quarters(400, 200))
	for name, c := range map[string]struct {
		file []byte
		want string
	}{ // each by itself
		"nothing":        {nil, "Choose a photo"},
		"html":           {[]byte("<!DOCTYPE html><script>alert(1)</script>"), "neither"},
		"svg":            {[]byte("<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>"), "neither"},
		"gif":            {[]byte("GIF89a\x01\x00\x01\x00"), "neither"},
		"polyglot":       {append([]byte("\xff\xd8\xff<script>alert(1)</script>"), whole...), "damaged"},
		"html with head": {[]byte("\xff\xd8\xff\xe0<html><script>alert(1)</script>"), "damaged"},
		"truncated":      {whole[:len(whole)/2], "not whole"},
		"truncated png":  {wholePNG[:len(wholePNG)/2], "not whole"},
		"head only":      {whole[:20], "damaged"},
		"png head only":  {wholePNG[:12], "damaged"},
		"10 MB":          {append(bytes.Clone(whole), make([]byte, 10<<20)...), "at most 8 MB"},
		"bomb":           {bomb(30000, 30000, 8), "40 megapixels"},
		"great bomb":     {bomb(1<<31-1, 1<<31-1, 8), "damaged"}, // the library refuses what overflows
		"deep bomb":      {bomb(6000, 5000, 16), "40 megapixels"},
		"needle":         {bomb(1, 40_000_000, 8), "16 pixels"},
		"short bomb":     {bomb(1500, 1500, 8), "not whole"},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := Make(c.file)
		runtime.ReadMemStats(&after)
		var r Refused
		if !errors.As(err, &r) || !strings.Contains(string(r), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
		if grown := after.TotalAlloc - before.TotalAlloc; strings.HasSuffix(name, "bomb") && name != "short bomb" && grown > 1<<20 {
			t.Errorf("%s: took %d bytes before it was refused", name, grown)
		}
	}
}

// A damaged file is refused or made a photo; it never ends the program.
func FuzzMake(f *testing.F) {
	f.Add(withEXIF(asJPEG(f, quarters(32, 32)), 6))
	f.Add(asPNG(f, quarters(32, 32)))
	f.Add(bomb(20, 20, 16))
	f.Fuzz(func(t *testing.T, file []byte) {
		if len(file) > 1<<16 {
			return // larger ones take long and show no more
		}
		p, err := Make(file)
		var r Refused
		if err != nil && !errors.As(err, &r) {
			t.Fatal(err)
		}
		if err == nil {
			if b := decoded(t, p.Large).Bounds(); b.Dx() != p.Width || b.Dy() != p.Height || max(p.Width, p.Height) > largeSide {
				t.Fatalf("%v, said to be %d × %d", b, p.Width, p.Height)
			}
		}
	})
}

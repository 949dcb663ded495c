// Package photo makes of what somebody uploads a JPEG of our own: upright, of a size
// for a page, and without anything but the picture (no place, no time, no camera). It
// goes by what a file holds, never by its name.
//
// It is pure: bytes in, bytes out. It reads JPEG and PNG and refuses to guess.
package photo

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"

	"github.com/bep/imagemeta"
	"golang.org/x/image/draw"
)

// Limits of what is read. 40 megapixels are four times a phone's usual photo, and take
// some 200 MB while they are read.
const (
	BytesMost  = 8 << 20
	pixelsMost = 40_000_000
	sideLeast  = 16
)

// Sides of what is made: the longest, in pixels.
const (
	largeSide = 1600
	smallSide = 320
	quality   = 82
)

// Refused says to a person why a file is no photo for us.
type Refused string

// Error is the reason as a sentence.
func (r Refused) Error() string { return string(r) }

// Photo is what was made of a file.
type Photo struct {
	Large, Small  []byte // JPEG
	Width, Height int    // of the large one
}

// Make reads a JPEG or a PNG; a file that is none, or beyond the limits, is Refused.
func Make(file []byte) (Photo, error) {
	if len(file) > BytesMost {
		return Photo{}, Refused(fmt.Sprintf("A photo has at most %d MB; take it with fewer pixels.", BytesMost>>20))
	}
	format, decode, config := imagemeta.JPEG, jpeg.Decode, jpeg.DecodeConfig
	switch {
	case bytes.HasPrefix(file, []byte("\xff\xd8\xff")):
	case bytes.HasPrefix(file, []byte("\x89PNG\r\n\x1a\n")):
		format, decode, config = imagemeta.PNG, png.Decode, png.DecodeConfig
	case len(file) == 0:
		return Photo{}, Refused("Choose a photo first.")
	default:
		return Photo{}, Refused("That file is neither a JPEG nor a PNG.")
	}
	c, err := config(bytes.NewReader(file))
	if err != nil {
		return Photo{}, Refused("That file is damaged: its beginning cannot be read.")
	}
	if why := refuse(c); why != "" {
		return Photo{}, why
	}
	picture, err := decode(bytes.NewReader(file))
	if err != nil {
		return Photo{}, Refused("That file is damaged or not whole: send it again.")
	}
	large := upright(shrink(picture, largeSide), orientation(file, format))
	p := Photo{Width: large.Bounds().Dx(), Height: large.Bounds().Dy()}
	p.Large, p.Small = encode(large), encode(shrink(large, smallSide))
	return p, nil
}

// refuse looks at a picture's size before anything is made of it.
func refuse(c image.Config) Refused {
	pixels := int64(c.Width) * int64(c.Height)
	if c.ColorModel == color.RGBA64Model || c.ColorModel == color.NRGBA64Model {
		pixels *= 2 // it takes twice the room
	}
	switch {
	case c.Width < sideLeast || c.Height < sideLeast:
		return Refused(fmt.Sprintf("A photo has at least %d pixels each way.", sideLeast))
	case pixels > pixelsMost:
		return Refused(fmt.Sprintf("A photo has at most %d megapixels; take it with fewer.", pixelsMost/1_000_000))
	}
	return ""
}

// orientation is the tag of that name (CIPA DC-008, tag 274), 1 where there is none
// that can be read.
func orientation(file []byte, format imagemeta.ImageFormat) (tag uint16) {
	tag = 1
	is := func(t imagemeta.TagInfo) bool { return t.Namespace == "IFD0" && t.Tag == "Orientation" }
	// A file whose tags are damaged is shown as it lies: its picture was read.
	_, _ = imagemeta.Decode(imagemeta.Options{R: bytes.NewReader(file), ImageFormat: format, Sources: imagemeta.EXIF, ShouldHandleTag: is,
		HandleTag: func(t imagemeta.TagInfo) error {
			if v, ok := t.Value.(uint16); ok && is(t) && v >= 1 && v <= 8 {
				tag = v
			}
			return nil
		}})
	return tag
}

// shrink makes a picture's longest side at most so long, on white. It halves first,
// which averages, so that no pixel is passed over.
func shrink(src image.Image, longest int) *image.RGBA {
	w, h := src.Bounds().Dx(), src.Bounds().Dy()
	for max(w, h) >= 2*longest {
		w, h = max(1, w/2), max(1, h/2)
		src = scale(src, w, h)
	}
	if most := max(w, h); most > longest {
		w, h = max(1, w*longest/most), max(1, h*longest/most)
	}
	return scale(src, w, h)
}

func scale(src image.Image, w, h int) *image.RGBA {
	dst := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(dst, dst.Bounds(), image.White, image.Point{}, draw.Src)
	draw.ApproxBiLinear.Scale(dst, dst.Bounds(), src, src.Bounds(), draw.Over, nil)
	return dst
}

// upright turns a picture as its tag says: of each value the standard tells at which
// edge the first row and the first column are to be seen.
func upright(src *image.RGBA, tag uint16) *image.RGBA {
	w, h := src.Bounds().Dx(), src.Bounds().Dy()
	rowFar := tag == 3 || tag == 4 || tag == 6 || tag == 7 // at the bottom or the right
	columnFar := tag == 2 || tag == 3 || tag == 7 || tag == 8
	across := tag >= 5 // rows become columns
	if tag == 1 {
		return src
	}
	dst := image.NewRGBA(image.Rect(0, 0, w, h))
	if across {
		dst = image.NewRGBA(image.Rect(0, 0, h, w))
	}
	for y := range h {
		for x := range w {
			u, v := x, y
			if columnFar {
				u = w - 1 - x
			}
			if rowFar {
				v = h - 1 - y
			}
			if across {
				u, v = v, u
			}
			copy(dst.Pix[dst.PixOffset(u, v):][:4], src.Pix[src.PixOffset(x, y):][:4])
		}
	}
	return dst
}

func encode(m image.Image) []byte {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: quality}); err != nil {
		panic("photo: a buffer takes everything: " + err.Error())
	}
	return b.Bytes()
}

package dashboard

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"time"

	"keyturn/daemon/dashboard/photo"
	"keyturn/daemon/records"
)

const (
	// photoWithin is how long a photo may take to come: 8 MB by a poor radio.
	photoWithin = 2 * time.Minute
	// uploadMax is how many bytes of a form with a photo are read, for a browser shows
	// no answer to a form that was not read; what is too much of it is thrown away.
	uploadMax = 4 * photo.BytesMost
)

// slowly lets a form with a photo take longer than others.
func slowly(next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		until := http.NewResponseController(w)
		// A server that cannot put its limits off keeps them.
		_ = until.SetReadDeadline(time.Now().Add(photoWithin))
		_ = until.SetWriteDeadline(time.Now().Add(2 * photoWithin))
		next(w, r)
	}
}

func photoForm(job int64) *webForm {
	return newForm("photos", jobPath(job)+"/photos", "Keep the photo",
		&field{Name: "Caption", Label: "What it shows"}, // before the photo, so that it is read though the photo be too large
		&field{Name: "Photo", Label: "Photo", Hint: fmt.Sprintf("JPEG or PNG, at most %d MB. Place, time and camera are taken out of it.", photo.BytesMost>>20), Kind: "photo"})
}

// addPhoto takes a photo. Its file's name is not even read: the photo is named by its
// number.
func (d *dashboard) addPhoto(w http.ResponseWriter, r *http.Request, file *records.JobFile) {
	f := photoForm(file.Number)
	data, err := readPhoto(r, f)
	if err != nil {
		f.wrong("Photo", fmt.Sprintf("The photo did not come whole, or is far larger than %d MB.", photo.BytesMost>>20))
	}
	var made photo.Photo
	if len(f.Faults()) == 0 {
		made, err = d.makePhoto(r, data)
		var refused photo.Refused
		if errors.As(err, &refused) {
			f.wrong("Photo", string(refused))
		} else if err != nil {
			d.failed(w, r, err)
			return
		}
	}
	kept := records.Photo{Job: file.Number, Caption: f.get("Caption"), Width: made.Width, Height: made.Height}
	if f.refused(kept.Check()); len(f.Faults()) > 0 {
		d.showJob(w, r, http.StatusUnprocessableEntity, file, f)
		return
	}
	d.done(w, r, d.o.Jobs.AddPhoto(r.Context(), kept, made.Large, made.Small, d.who(r).Name), jobPath(file.Number)+"#photos")
}

// makePhoto makes one photo at a time: each may take some 200 MB meanwhile.
func (d *dashboard) makePhoto(r *http.Request, data []byte) (photo.Photo, error) {
	select {
	case d.making <- struct{}{}:
		defer func() { <-d.making }()
		return photo.Make(data)
	case <-r.Context().Done():
		return photo.Photo{}, r.Context().Err()
	}
}

// readPhoto reads the parts of the form as they come; nothing goes to a file.
func readPhoto(r *http.Request, f *webForm) (data []byte, err error) {
	parts, err := r.MultipartReader()
	if err != nil {
		return nil, err
	}
	for {
		part, err := parts.NextPart()
		if err == io.EOF {
			return data, nil
		}
		if err != nil {
			return nil, err
		}
		// A byte more than there may be is enough to see that it is too long.
		text, err := io.ReadAll(io.LimitReader(part, photo.BytesMost+1))
		if err != nil {
			return nil, err
		}
		switch part.FormName() {
		case "Photo":
			data = text
		case "Caption":
			f.set("Caption", typed(string(text[:min(len(text), formMax)]), false))
		}
	}
}

// photo serves a photo, large or small, under a name of ours.
func (d *dashboard) photo(w http.ResponseWriter, r *http.Request) {
	job, err := strconv.ParseInt(r.PathValue("job"), 10, 64)
	id, err2 := strconv.ParseInt(r.PathValue("item"), 10, 64)
	size := r.PathValue("size")
	if err != nil || err2 != nil || size != "large" && size != "small" {
		d.sorry(w, r, http.StatusNotFound, "There is no such photo.")
		return
	}
	jpeg, err := d.o.Jobs.PhotoJPEG(r.Context(), job, id, size == "small")
	if err != nil {
		d.done(w, r, err, "")
		return
	}
	h := w.Header()
	h.Set("Content-Type", "image/jpeg")
	h.Set("Content-Disposition", fmt.Sprintf(`inline; filename="job-%d-photo-%d.jpg"`, job, id))
	h.Set("Content-Length", strconv.Itoa(len(jpeg)))
	w.Write(jpeg) // who has gone away is not to be told
}

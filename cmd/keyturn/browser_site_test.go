package main

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/png"
	"io"
	"log/slog"
	"math/rand/v2"
	"mime/multipart"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/daemon"
	"keyturn/daemon/dashboard"
	"keyturn/daemon/dashboard/access"
	"keyturn/daemon/link"
	"keyturn/daemon/link/linktest"
	"keyturn/daemon/records"
	"keyturn/protocol"
)

// site is a shop: its broker, its server and its benches, each as they are started for
// people.
type site struct {
	*shop
	t       *testing.T
	broker  *linktest.Broker
	options shopOptions
	cycles  []string // their pages, of the first bench, the latest first
	client  *http.Client
	cookie  *http.Cookie      // of who is signed in
	sheets  map[string]string // pages of answer sheets by how they stand
}

// at is the address of a path.
func (s *site) at(path string) string { return "http://" + s.address + path }

// openSite opens a shop without a bench, at a port to which it can come back: one below
// those that the kernel gives to clients (32768 and up).
func openSite(t *testing.T) *site {
	t.Helper()
	s := &site{t: t, broker: linktest.Start(t, "")}
	s.options = shopOptions{broker: link.Broker{URL: s.broker.URL()}, root: protocol.DefaultRoot, records: filepath.Join(t.TempDir(), "records.db"),
		keeper: "records", client: "shop", logger: slog.New(slog.DiscardHandler)}
	var err error
	if s.options.exercises, err = readExercises("../../testdata/exercises"); err != nil {
		t.Fatal(err)
	}
	waitUntil(t, "a free port", func() bool {
		s.options.listen = "127.0.0.1:" + strconv.Itoa(20000+rand.IntN(12000))
		var err error
		s.shop, err = startShop(t.Context(), s.options)
		return err == nil
	})
	t.Cleanup(s.end)
	return s
}

// end ends the server, if it runs.
func (s *site) end() {
	s.t.Helper()
	if s.shop == nil {
		return
	}
	if err := s.close(); err != nil {
		s.t.Error(err)
	}
	s.shop = nil
}

// again starts the server again, where it was.
func (s *site) again() {
	s.t.Helper()
	var err error
	if s.shop, err = startShop(s.t.Context(), s.options); err != nil {
		s.t.Fatal(err)
	}
}

// bench is a simulated bench. Simulated time passes so many times as fast as the real;
// 0 is as fast as the machine can.
type bench struct{ speed atomic.Int64 }

// bench starts one; stop, or the end of the test, ends it.
func (s *site) bench(id string, seed uint64, speed int64) (b *bench, stop func()) {
	s.t.Helper()
	sim, err := newSimulation(seed, true, false, s.broker.URL())
	if err != nil {
		s.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	b = &bench{}
	b.speed.Store(speed)
	sim.options.Bench, sim.options.Broker.ClientID, sim.options.Stream, sim.options.Record = id, "bench-"+id, "stream-"+id, b.pace(ctx)
	ended := make(chan error, 1)
	go func() { ended <- daemon.Run(ctx, sim.options) }()
	done := false
	stop = func() {
		if cancel(); !done {
			done = true
			if err := <-ended; err != nil {
				s.t.Error(err)
			}
		}
	}
	s.t.Cleanup(stop)
	return b, stop
}

// pace holds the bench to its speed.
func (b *bench) pace(ctx context.Context) func(adc.Input) {
	var last adc.Instant
	var owed time.Duration
	return func(in adc.Input) {
		speed := b.speed.Load()
		if speed > 0 && last > 0 {
			owed += max(0, in.At.Sub(last)) / time.Duration(speed)
		}
		if last = max(last, in.At); owed < 2*time.Millisecond {
			return
		}
		select {
		case <-time.After(owed):
		case <-ctx.Done():
		}
		owed = 0
	}
}

// measured reports whether a bench has two whole key cycles, and finds them; the latest
// may be open.
func (s *site) measured(bench string) bool {
	_, history := get(s.t, s.at("/history?bench="+bench))
	all := cyclePage.FindAllString(history, -1)
	s.cycles = all[min(1, len(all)):]
	return len(s.cycles) >= 2
}

// startSite opens a shop with a bench that has measured some key cycles and now goes on
// in real time, one that has measured and is switched off, a job with all that a job can
// have and one with nothing, tests of a box, and users, of whom
// the client and the cookie are one.
func startSite(t *testing.T) *site {
	t.Helper()
	s := openSite(t)
	s.sheets = map[string]string{}
	s.sitExercise("marked", "bay-1", true) // by the first key cycle
	first, _ := s.bench("bay-1", 0, 0)
	_, stop := s.bench("salvage", 7, 0)
	waitUntil(t, "two whole key cycles of the first bench, and one of the second", func() bool {
		_, other := get(t, s.at("/history?bench=salvage"))
		return s.measured("bay-1") && cyclePage.MatchString(other)
	})
	first.speed.Store(1)
	stop()
	s.sitExercise("waiting", "salvage", true)
	s.sitExercise("answers", "salvage", false)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	s.client = &http.Client{Jar: jar}
	s.fillJobs()
	s.testBoxes()
	s.signIn()
	return s
}

// fillJobs opens two jobs, as forms do.
func (s *site) fillJobs() {
	s.t.Helper()
	s.post("/jobs/new/vehicle", url.Values{"Registration": {"KT12 ABC"}, "VIN": {"WKT11111111111111"}, "Mileage": {"48210"}, "MileageUnit": {"km"}, "Model": {"Marlow Carrier 2"}, "Year": {"2019"}, "Part": {"FB-204"}})
	s.post(s.cycles[1]+"/job", url.Values{"Job": {"1"}, "Phase": {"before"}})
	s.post(s.cycles[0]+"/job", url.Values{"Job": {"1"}, "Phase": {"fitted"}})
	s.post("/job/1/fitting", url.Values{"Accessory": {"Dash camera"}, "Slot": {"f01"}, "FeedSide": {"left"}, "OriginalFuseA": {"7.5"}, "AddedFuseA": {"2"}, "WireMM2": {"0.75"},
		"EarthPoint": {"M6 stud behind the kick panel"}, "CableRoute": {"up the left A pillar"}, "FittedBy": {"R. Okafor"}, "FittedOn": {"2026-03-04"}})
	s.post("/job/1/codes", url.Values{"Phase": {"before"}, "Codes": {"C0123 brake lamp"}})
	s.post("/job/1/notes", url.Values{"Text": {"The trim clip at the pillar was broken before."}})
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	part, err := m.CreateFormFile("Photo", "stud.png")
	if err == nil {
		err = png.Encode(part, image.NewGray(image.Rect(0, 0, 400, 300)))
	}
	if err == nil {
		err = errors.Join(m.WriteField("Caption", "The earth point"), m.Close())
	}
	if err != nil {
		s.t.Fatal(err)
	}
	s.send("/job/1/photos", m.FormDataContentType(), &b)
	s.post("/jobs/new/box", url.Values{"Serial": {"SN 4711"}, "Part": {"FB-204"}})
}

// sitExercise lets somebody answer an exercise, and hand in if that is wanted.
func (s *site) sitExercise(how, bench string, handIn bool) {
	s.t.Helper()
	ctx := s.t.Context()
	at := slices.IndexFunc(s.options.exercises, func(e dashboard.Exercise) bool { return bytes.Contains(e.Text, []byte(`id = "after-key-off"`)) })
	n, err := s.records.Release(ctx, records.Sitting{Exercise: "after-key-off", Title: "After key-off: at once, later, never", Text: string(s.options.exercises[at].Text),
		Box: string(s.options.exercises[at].Box), Bench: bench, ReleasedBy: "mira"})
	id := ""
	if err == nil {
		id, err = s.records.Begin(ctx, n, "cara")
	}
	if err == nil {
		err = s.records.Acknowledge(ctx, id, "")
	}
	if err == nil {
		err = s.records.SaveAnswers(ctx, id, []records.Answer{{Question: "radio", Text: "at once"}, {Question: "wipers", Text: "1,0 s"}, {Question: "lamps", Text: "10 min", Hints: 1}, {Question: "lamps-do", Text: "accessory"}}, handIn)
	}
	if err == nil && how == "marked" {
		err = s.records.Comment(ctx, id, "Watch the lamps to the end next time.", "mira", true)
	}
	if err != nil {
		s.t.Fatal(err)
	}
	s.sheets[how] = "/answers/" + id
}

// signIn makes two users and signs one in.
func (s *site) signIn() {
	s.t.Helper()
	const name, password = "mira", "a box of spare fuses"
	if err := errors.Join(s.access.Add(s.t.Context(), name, password, access.Instructor), s.access.Add(s.t.Context(), "tom", password, access.Operator)); err != nil {
		s.t.Fatal(err)
	}
	s.post("/sign-in", url.Values{"name": {name}, "password": {password}})
	u, err := url.Parse(s.at("/"))
	if err != nil {
		s.t.Fatal(err)
	}
	cookies := s.client.Jar.Cookies(u)
	if len(cookies) != 1 {
		s.t.Fatalf("cookies after signing in: %v", cookies)
	}
	s.cookie = cookies[0]
}

func (s *site) post(path string, form url.Values) {
	s.t.Helper()
	s.send(path, "application/x-www-form-urlencoded", strings.NewReader(form.Encode()))
}

func (s *site) send(path, kind string, body io.Reader) {
	s.t.Helper()
	r, err := s.client.Post(s.at(path), kind, body)
	if err != nil {
		s.t.Fatal(err)
	}
	r.Body.Close()
	if r.StatusCode != http.StatusOK { // where the answer led to
		s.t.Fatalf("POST %s: %s", path, r.Status)
	}
}

package dashboard

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"keyturn/daemon/dashboard/access"
	"keyturn/daemon/records"
	"keyturn/protocol"
)

// shopPages are the pages on records of their own.
func shopPages(t *testing.T) (http.Handler, *records.Store) {
	t.Helper()
	s, err := records.Open(context.Background(), records.Options{URL: filepath.Join(t.TempDir(), "records.db")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return newPages(t, Options{State: newState(t), Records: s, Jobs: s}), s
}

// keep stores key cycles under numbers of their own; each is the one before, changed.
func keep(t *testing.T, s *records.Store, change ...func(*protocol.Cycle)) []*protocol.Cycle {
	t.Helper()
	var out []*protocol.Cycle
	for i, f := range change {
		c := storedCycle(t, "double-start")
		c.Seq, c.ID = int64(i+1), fmt.Sprintf("%s-%d", c.Boot[:8], i+1)
		if f != nil {
			f(c)
		}
		_, payload := wire(t, c)
		if a, err := s.Add(context.Background(), payload); err != nil || a.New != 1 {
			t.Fatalf("%v, %+v", err, a)
		}
		out = append(out, c)
	}
	return out
}

// From the vehicle to the removal card, and the vehicle's return a year later.
func TestJobFromVehicleToRemovalCard(t *testing.T) {
	h, s := shopPages(t)
	slot := ""
	cycles := keep(t, s, func(c *protocol.Cycle) {
		for i := range c.Slots {
			if x := &c.Slots[i]; slot == "" && x.Behaviour == protocol.Ignition && !x.StaysOnOpen {
				stays := protocol.Seconds(240)
				x.StaysOnS, slot = &stays, x.Slot
			}
		}
	}, nil, func(c *protocol.Cycle) { slotNamed(c, slot).Behaviour = protocol.Accessory }, func(c *protocol.Cycle) { slotNamed(c, slot).Behaviour = protocol.Accessory })
	before, after, changed, returned := cycles[0], cycles[1], cycles[2], cycles[3]
	path := func(c *protocol.Cycle) string { return "/cycle/" + c.Bench + "/" + c.ID }

	doc, text := pageAt(t, h, path(before), http.StatusOK)
	has(t, "a key cycle in no job", words(doc), "This key cycle is in no job", "Open a job for a vehicle with it")
	opener := text[strings.Index(text, "/jobs/new/vehicle"):]
	opener = html.UnescapeString(opener[:strings.IndexByte(opener, '"')])
	job := sent(t, h, opener, "Registration", "kt12 abc", "VIN", "wkt 11111111111111", "Mileage", "48 210", "MileageUnit", "mi", "Model", "Marlow Carrier 2", "Year", "2019", "Part", "FB-204")
	if to := sent(t, h, path(after)+"/job", "Job", strings.TrimPrefix(job, "/job/"), "Phase", "fitted"); to != job {
		t.Errorf("putting in leads to %s", to)
	}
	sent(t, h, job+"/cycle", "Cycle", changed.Bench+"/"+changed.ID, "Phase", "removed")
	sent(t, h, job+"/fitting", "Accessory", "Dash camera", "Slot", strings.ToUpper(slot), "FeedSide", "left", "OriginalFuseA", "7,5", "AddedFuseA", "2", "WireMM2", "0.75",
		"EarthPoint", "M6 stud behind the kick panel", "CableRoute", "up the left A pillar", "FittedBy", "R. Okafor", "FittedOn", "2026-03-04")
	sent(t, h, job+"/codes", "Phase", "before", "Codes", "c0123 brake lamp\nsomething else")
	sent(t, h, job+"/notes", "Text", "First line\r\nsecond line")
	if w := upload(t, h, job+"/photos", "The stud", "stud.jpg", jpegOf(t, 400, 300)); w.Code != http.StatusSeeOther {
		t.Fatalf("a photo: %d %s", w.Code, w.Body)
	}
	doc, text = pageAt(t, h, job, http.StatusOK)
	has(t, "the job", words(doc), "Job 1: KT12 ABC", "WKT11111111111111", "48210 mi", "Marlow Carrier 2 2019", "is not the check digit", "before fitting", "removed again",
		"slot "+slot+", left side : live with the ignition on (15), stays on 4 min after key-off", "7.5 A", "0.75 mm²", "2026-03-04 by R. Okafor", "C0123 brake lamp", "something else", "The stud",
		"The latest fitted, against the latest before fitting", "The latest removed again, against the latest before fitting", "Not as before: 1 slot differs ("+slot+")")
	has(t, "the note", text, "First line\nsecond line")
	doc, _ = pageAt(t, h, path(after), http.StatusOK)
	has(t, "a key cycle in a job", words(doc), "job 1, fitted")
	doc, _ = pageAt(t, h, job+"/card", http.StatusOK)
	has(t, "the card", words(doc), "Removal card, job 1", "KT12 ABC", "Dash camera", "slot "+slot+", left side", "stays on 4 min after key-off", "wait until it has no volts", "7.5 A into slot "+slot,
		"M6 stud behind the kick panel", "up the left A pillar", "C0123", "The stud", "airbags", "Taken out by", "put it into job 1 as removed")
	sent(t, h, job+"/close")
	doc, _ = pageAt(t, h, "/jobs", http.StatusOK)
	has(t, "the list", words(doc), "Job 1 KT12 ABC Marlow Carrier 2 2019", "closed")
	doc, _ = pageAt(t, h, "/jobs?q=carrier+kt12&open=yes", http.StatusOK)
	has(t, "open jobs", words(doc), "None found.")

	again := sent(t, h, "/jobs/new/vehicle", "Registration", "KT-12ABC", "Model", "marlow carrier-2")
	doc, _ = pageAt(t, h, again, http.StatusOK)
	has(t, "the return", words(doc), "It was here before", "Job 1: KT12 ABC", "Put in a key cycle from before fitting",
		"Last time on this model slot "+slot+", left side, live with the ignition on (15), stays on 4 min after key-off (Dash camera, model year 2019)", "Prove it again on the vehicle in hand.")
	sent(t, h, path(returned)+"/job", "Job", "2", "Phase", "before")
	doc, _ = pageAt(t, h, again, http.StatusOK)
	has(t, "nothing has changed", words(doc), "On its return, against the last key cycle of job 1 (removed again)", "As before: nothing differs")
	sent(t, h, again+"/cycle/"+returned.Bench+"/"+returned.ID+"/drop")
	sent(t, h, path(after)+"/job", "Job", "2", "Phase", "before")
	doc, _ = pageAt(t, h, again, http.StatusOK)
	has(t, "a slot has changed", words(doc), "On its return, against the last key cycle of job 1 (removed again)", "Not as before: 1 slot differs ("+slot+")")

	doc, _ = pageAt(t, h, "/history?model=Marlow+Carrier+2&year=2019", http.StatusOK)
	has(t, "history", words(doc), "Last time on this model slot "+slot, "Prove it again on the vehicle in hand.", "Key cycles, model Marlow Carrier 2, model year 2019 , the latest first")
	doc, _ = pageAt(t, h, "/jobs/new/vehicle?model=Marlow+Carrier+2", http.StatusOK)
	has(t, "a new job on the model", words(doc), "Last time on this model")

	doc, _ = pageAt(t, h, job+"/delete", http.StatusOK)
	has(t, "asked again", words(doc), "1 fitting, 2 fault codes, 1 note, 1 photo")
	if to := sent(t, h, job+"/delete"); to != "/jobs" {
		t.Errorf("deleting leads to %s", to)
	}
	pageAt(t, h, job, http.StatusNotFound)
	pageAt(t, h, job+"/photo/4/large", http.StatusNotFound)
	pageAt(t, h, path(before), http.StatusOK)
}

// What is refused comes back as it was typed, with what is wrong beside each field and
// on top, and nothing of it is kept.
func TestRefusedFormsComeBack(t *testing.T) {
	h, s := shopPages(t)
	job := sent(t, h, "/jobs/new/box", "Serial", "SN 1")
	long := strings.Repeat("é", records.JobNoteMax+1)
	for _, c := range []struct {
		path  string
		typed map[string]string
		want  map[string]string // the field and what is wrong with it
	}{
		{"/jobs/new/vehicle", map[string]string{"Registration": "", "VIN": "WKT1O", "Mileage": "12k", "Year": "3000", "Model": long, "Part": "FB-204"},
			map[string]string{"VIN": "17 letters", "Mileage": "Digits", "Year": "From 1900", "Model": "At most 80"}},
		{"/jobs/new/vehicle", map[string]string{"Mileage": "-5", "MileageUnit": "mi", "Model": "kept"}, map[string]string{"Registration": "registration or the VIN", "Mileage": "From 0"}},
		{"/jobs/new/box", map[string]string{"Serial": " - ", "Year": "99999999999999999999"}, map[string]string{"Serial": "serial number", "Year": "Digits"}},
		{job + "/facts", map[string]string{"Serial": "", "Model": "<b>"}, map[string]string{"Serial": "serial number"}},
		{job + "/fitting", map[string]string{"Accessory": "", "Slot": "F 18!", "FeedSide": "top", "OriginalFuseA": "ten", "AddedFuseA": "NaN", "WireMM2": "1e9", "EarthPoint": long, "FittedOn": "31.1.2026", "FittedBy": "bo"},
			map[string]string{"Accessory": "what was fitted", "Slot": "small letters", "FeedSide": "Left", "OriginalFuseA": "A number", "AddedFuseA": "at most 500 A", "WireMM2": "at most 120", "EarthPoint": "At most 200", "FittedOn": "Year"}},
		{job + "/codes", map[string]string{"Phase": "before", "Codes": strings.Repeat("P0001\n", 51) + "x"}, map[string]string{"Codes": "At most 50"}},
		{job + "/codes", map[string]string{"Phase": "fitted", "Codes": "P0001"}, map[string]string{"Phase": "Before or after"}},
		{job + "/notes", map[string]string{"Text": long}, map[string]string{"Text": "At most 2000 letters; this has 2001"}},
	} {
		v := url.Values{}
		for name, x := range c.typed {
			v.Set(name, x)
		}
		doc, _ := answer(t, send(h, c.path, v), http.StatusUnprocessableEntity)
		alerts := all(doc, "div", "role")
		if len(alerts) != 1 || attr(alerts[0], "role") != "alert" {
			t.Fatalf("%s: %d summaries", c.path, len(alerts))
		}
		for _, kind := range []string{"input", "select", "textarea"} {
			for _, n := range all(doc, kind, "name") {
				name := attr(n, "name")
				want, wrong := c.want[name]
				if (attr(n, "aria-invalid") == "true") != wrong {
					t.Errorf("%s: field %s: wrong %t, want %t", c.path, name, !wrong, wrong)
				}
				typed, was := c.typed[name]
				if is := attr(n, "value"); kind == "input" && was && is != strings.TrimSpace(typed) && name != "Registration" {
					t.Errorf("%s: field %s comes back as %q", c.path, name, is)
				}
				if kind == "textarea" && was && n.FirstChild.Data != typed {
					t.Errorf("%s: field %s comes back otherwise", c.path, name)
				}
				if !wrong {
					continue
				}
				i := slices.IndexFunc(all(doc, "p", "id"), func(p *html.Node) bool { return attr(p, "id") == attr(n, "aria-describedby") })
				if i < 0 || !strings.Contains(words(all(doc, "p", "id")[i]), want) {
					t.Errorf("%s: field %s is not told %q", c.path, name, want)
				}
				if !strings.Contains(words(alerts[0]), want) || !slices.ContainsFunc(all(alerts[0], "a", "href"), func(a *html.Node) bool { return attr(a, "href") == "#"+attr(n, "id") }) {
					t.Errorf("%s: the summary does not lead to %s", c.path, name)
				}
			}
		}
	}
	if n, err := s.Jobs(context.Background(), records.JobFilter{}); err != nil || len(n) != 1 || n[0].Model != "" {
		t.Errorf("%v, %+v", err, n)
	}
	if f, err := s.Job(context.Background(), 1); err != nil || len(f.Fittings)+len(f.Codes)+len(f.Notes) != 0 {
		t.Errorf("%v, %+v", err, f)
	}
	doc, _ := answer(t, send(h, job+"/notes", url.Values{"Text": {strings.Repeat("x", formMax)}}), http.StatusRequestEntityTooLarge)
	has(t, "a form that is too long", words(doc), "longer than 64 kB")
}

// hostileTyped is what somebody may type or send beside what benches may.
func hostileTyped() []string {
	return append(slices.Clone(hostile), `Robert'); DROP TABLE job;--`, `%' OR '1'='1`, "../../../etc/passwd", "%2e%2e%2f", "{{template \"top\" .}}", strings.Repeat("x", 10<<10), "\u200b\u2060", "=HYPERLINK(\"http://x\")")
}

// Whatever is typed into whichever field: pages stay whole and ours, nothing unseen is
// kept, and the records go on.
func TestHostileTypedTexts(t *testing.T) {
	h, s := shopPages(t)
	c := keep(t, s, nil)[0]
	cycle := "/cycle/" + c.Bench + "/" + c.ID
	job := ""
	for i, x := range hostileTyped() {
		job = sent(t, h, "/jobs/new/vehicle", "Registration", "KT 1", "Model", "M")
		for path, fields := range map[string]url.Values{
			"/jobs/new/vehicle": {"Registration": {"KT 2"}, "VIN": {""}, "Mileage": {""}, "MileageUnit": {"km"}, "Model": {""}, "Year": {""}, "Part": {""}},
			"/jobs/new/box":     {"Serial": {"SN"}},
			job + "/facts":      {"Registration": {"KT 1"}, "Model": {"M"}, "Part": {""}},
			job + "/fitting": {"Accessory": {"x"}, "Slot": {"f01"}, "FeedSide": {""}, "OriginalFuseA": {""}, "AddedFuseA": {""}, "WireMM2": {""}, "EarthPoint": {""},
				"CableRoute": {""}, "FittedBy": {""}, "FittedOn": {""}},
			job + "/codes": {"Phase": {"before"}, "Codes": {"none"}},
			job + "/notes": {"Text": {"x"}},
			job + "/cycle": {"Cycle": {c.Bench + "/" + c.ID}, "Phase": {"before"}},
			cycle + "/job": {"Job": {strings.TrimPrefix(job, "/job/")}, "Phase": {"before"}},
			"/jobs/new/box?" + url.Values{"bench": {x}, "cycle": {x}}.Encode(): {"Serial": {"SN"}},
		} { // each by itself
			for name := range fields {
				v := maps.Clone(fields)
				v[name] = []string{x}
				w := send(h, path, v)
				if w.Code == http.StatusSeeOther || w.Code == http.StatusRequestURITooLong {
					continue
				}
				if w.Code != http.StatusUnprocessableEntity && w.Code != http.StatusBadRequest && w.Code != http.StatusNotFound {
					t.Fatalf("%d: POST %s, %s: %d: %.300s", i, path, name, w.Code, w.Body)
				}
				answer(t, w, w.Code)
			}
		}
		if w := upload(t, h, job+"/photos", x, x, jpegOf(t, 20, 20)); w.Code != http.StatusSeeOther && w.Code != http.StatusUnprocessableEntity {
			t.Fatalf("%d: a photo: %d", i, w.Code)
		}
		for path, names := range map[string][]string{"/jobs": {"q", "before"}, "/history": {"bench", "slot", "behaviour", "job", "model", "year", "part", "from", "to", "before"},
			"/jobs/new/vehicle": {"model"}} { // each by itself
			for _, name := range names {
				if w := get(h, path+"?"+url.Values{name: {x}}.Encode()); w.Code >= 500 {
					t.Fatalf("%d: GET %s, %s: %d", i, path, name, w.Code)
				} else if w.Code != http.StatusRequestURITooLong {
					answer(t, w, w.Code)
				}
			}
		}
		for _, path := range []string{job, job + "/card", job + "/facts", job + "/fitting", job + "/delete"} {
			if _, text := pageAt(t, h, path, http.StatusOK); strings.ContainsAny(text, "\u202e\u2066\u200b\u2060\x00\r") {
				t.Errorf("%d: GET %s: passes on what cannot be seen", i, path)
			}
		}
	}
	found, err := s.Jobs(context.Background(), records.JobFilter{Limit: 1000})
	must(t, err)
	if len(found) < len(hostile) {
		t.Errorf("%d jobs: hardly anything was kept, so nothing was shown", len(found))
	}
	for _, path := range []string{"/jobs", "/history", cycle, "/jobs/new/vehicle"} {
		if _, text := pageAt(t, h, path, http.StatusOK); strings.ContainsAny(text, "\u202e\u2066\u200b\u2060\x00\r") {
			t.Errorf("GET %s: passes on what cannot be seen", path)
		}
	}
	var csv bytes.Buffer
	must(t, s.ExportCSV(context.Background(), &csv, "jobs"))
	if strings.Contains(csv.String(), ",=HYPER") || !strings.Contains(csv.String(), "'=HYPER") {
		t.Error("the export passes a formula on")
	}
}

func TestJobAddresses(t *testing.T) {
	h, s := shopPages(t)
	c := keep(t, s, nil)[0]
	job := sent(t, h, "/jobs/new/box", "Serial", "SN 1")
	for path, want := range map[string]int{ // each by itself
		"/job/0": 404, "/job/-1": 404, "/job/2": 404, "/job/1e0": 404, "/job/99999999999999999999": 404, "/job/..%2f1": 404, "/job/1%00": 404, "/job/1/cards": 404,
		"/jobs/new/car": 404, "/jobs/new/": 404, "/jobs?before=x": 400, "/jobs?before=-1": 400, "/job/1/fitting/1": 404, "/job/1/fitting/x": 404,
		"/job/1/photo/1/large": 404, "/job/1/photo/..%2f..%2fx/large": 404, "/job/1/photo/1/original": 404, "/job/1/photo/1/..%2flarge": 404,
		"/history?job=x": 400, "/history?job=1": 200, "/history?from=2026-02-30": 400, "/history?from=0000-01-01": 400, "/history?to=9999-12-31": 200, "/history?year=1e3": 400, job: 200, job + "/card": 200,
	} {
		pageAt(t, h, path, want)
	}
	for path, want := range map[string]int{ // each by itself
		"/job/2/close": 404, "/job/x/delete": 404, "/job/1/fitting/7": 404, "/job/1/fitting/7/delete": 404, "/job/1/cycle/7/delete": 404, "/job/1/job;DROP/7/delete": 404, "/job/1/note/x/delete": 404,
		"/job/1/cycle/b/none/drop": 404, "/cycle/b/none/job": 400, "/cycle/B/x/job": 400, "/job/1/cycle": 400, "/job/2/photos": 404, "/job/2/notes": 404, "/jobs/new/car": 404, "/jobs": 405, "/job/1": 405, "/job/1/card": 405,
	} {
		if w := send(h, path, url.Values{}); w.Code != want {
			t.Errorf("POST %s: %d, want %d", path, w.Code, want)
		}
	}
	for job, want := range map[string]int{"1": 303, "2": 404, "": 404, "x": 404} { // each by itself
		if w := send(h, "/cycle/"+c.Bench+"/"+c.ID+"/job", url.Values{"Job": {job}, "Phase": {"before"}}); w.Code != want {
			t.Errorf("job %q: %d, want %d", job, w.Code, want)
		}
	}
	r := httptest.NewRequest(http.MethodPost, "/job/1/delete", nil)
	r.Host = "localhost:8080"
	r.Header.Set("Sec-Fetch-Site", "cross-site")
	w := httptest.NewRecorder()
	if h.ServeHTTP(w, r); w.Code != http.StatusForbidden {
		t.Errorf("a form of another site: %d", w.Code)
	}
	none := newPages(t, Options{State: newState(t)})
	doc, _ := pageAt(t, none, "/jobs", http.StatusNotFound)
	has(t, "without records", words(doc), "keeps no records")
	pageAt(t, none, "/job/1", http.StatusNotFound)
}

// A list goes on from page to page with what was searched for.
func TestJobPages(t *testing.T) {
	h, _ := shopPages(t)
	for i := range pageOf + 5 {
		sent(t, h, "/jobs/new/box", "Serial", fmt.Sprintf("SN %d", i+1), "Model", []string{"A", "B"}[i%2])
	}
	for path, want := range map[string]int{"/jobs": pageOf + 5, "/jobs?q=SN+1": 15, "/jobs?open=yes": pageOf + 5} { // each by itself
		seen := map[string]bool{}
		for at := path; at != ""; {
			doc, _ := pageAt(t, h, at, http.StatusOK)
			at = ""
			for _, a := range all(doc, "a", "href") {
				if strings.HasPrefix(attr(a, "href"), "/job/") {
					seen[attr(a, "href")] = true
				}
				if attr(a, "rel") == "next" {
					at = attr(a, "href")
				}
			}
		}
		if len(seen) != want {
			t.Errorf("%s: %d jobs, want %d", path, len(seen), want)
		}
	}
}

// Viewers read jobs and are offered nothing else; what operators do bears their names.
func TestViewersReadJobs(t *testing.T) {
	a, s := newAccess(t, access.Options{}, true)
	h := newPages(t, Options{State: newState(t), Records: s, Jobs: s, Access: a})
	c := keep(t, s, nil)[0]
	operator, viewer := newBrowser(h).as(t, "ben"), newBrowser(h).as(t, "<script>")
	if w := operator.ask(http.MethodPost, "/jobs/new/box", url.Values{"Serial": {"SN 1"}}); w.Code != http.StatusSeeOther {
		t.Fatalf("an operator opens a job: %d", w.Code)
	}
	for _, path := range []string{"/jobs", "/job/1", "/job/1/card", "/cycle/" + c.Bench + "/" + c.ID} {
		for name, who := range map[string]*browser{"operator": operator, "viewer": viewer} { // each by itself
			w := who.ask(http.MethodGet, path, nil)
			doc, text := answer(t, w, http.StatusOK)
			forms := len(slices.DeleteFunc(all(doc, "form", "method"), func(n *html.Node) bool { return attr(n, "method") != "post" || attr(n, "action") == "/sign-out" }))
			offers := forms > 0 || strings.Contains(text, "/jobs/new/")
			if want := name == "operator" && path != "/job/1/card"; offers != want {
				t.Errorf("%s of a %s: offers to change: %t", path, name, offers)
			}
			if strings.HasPrefix(path, "/job/1") && !strings.Contains(path, "card") {
				has(t, path, words(doc), "by ben")
			}
		}
	}
}

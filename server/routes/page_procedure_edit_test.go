package routes

import (
	"bytes"
	"fmt"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"ohmkeep/server/demo"
	"ohmkeep/server/form"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// desk is the pages of the demonstration lab as a role sees them.
type desk struct {
	*apiRig
	role store.Role
}

func newDesk(t *testing.T) *desk {
	t.Helper()
	a := newAPI(t)
	docs := demo.Scenario()
	for _, d := range docs.Devices {
		_, err := a.store.SaveDevice(t.Context(), d, 0, "lab")
		must(t, err)
	}
	for _, m := range docs.PinMaps {
		_, err := a.store.SavePinMap(t.Context(), m, 0, "lab")
		must(t, err)
	}
	for _, p := range docs.Procedures {
		_, err := a.store.SaveProcedure(t.Context(), p, 0, "lab")
		must(t, err)
	}
	return &desk{a, store.Operator}
}

// page asks for a page, or posts a form where there is one.
func (d *desk) page(path string, form url.Values) *httptest.ResponseRecorder {
	d.t.Helper()
	r := httptest.NewRequest("GET", path, nil)
	if form != nil {
		r = httptest.NewRequest("POST", path, strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	return d.send(r)
}

func (d *desk) send(r *http.Request) *httptest.ResponseRecorder {
	r.Host = "localhost"
	r.Header.Set("Authorization", "Bearer "+d.tokens[d.role])
	w := httptest.NewRecorder()
	d.http.ServeHTTP(w, r)
	return w
}

// says checks an answer's status and that its page holds a text.
func (d *desk) says(w *httptest.ResponseRecorder, status int, text string) {
	d.t.Helper()
	if w.Code != status || !strings.Contains(w.Body.String(), text) {
		d.t.Errorf("status %d, want %d with %q: %.600s", w.Code, status, text, mainOf(w.Body.String()))
	}
}

// mainOf is what follows the head of a page.
func mainOf(page string) string {
	_, rest, found := strings.Cut(page, `<main id="main"`)
	if !found {
		return page
	}
	return rest
}

func (d *desk) procedure(key string) *store.Revised[procedure.Procedure] {
	d.t.Helper()
	p, err := d.store.GetProcedure(d.t.Context(), key, 0)
	must(d.t, err)
	return p
}

func ids(p *procedure.Procedure) string {
	var out []string
	for _, m := range p.Measurements {
		id := m.ID
		if m.Disabled {
			id = "(" + id + ")"
		}
		if m.Group != "" {
			id = m.Group + ":" + id
		}
		out = append(out, id)
	}
	return strings.Join(out, " ")
}

// What each button of the list does, each as a new revision.
func TestProcedureList(t *testing.T) {
	d := newDesk(t)
	p := procedure.Procedure{Key: "small", Name: "Small", Device: "tarnel-6"}
	for _, id := range []string{"a", "b", "c", "d"} {
		m := demo.Scenario().Procedures[0].Measurements[0].Clone()
		m.ID, m.Name = id, strings.ToUpper(id)
		p.Measurements = append(p.Measurements, m)
	}
	_, err := d.store.SaveProcedure(t.Context(), p, 0, "lab")
	must(t, err)
	for i, c := range []struct{ form, want string }{
		{"up=2", "a c b d"},
		{"down=0", "c a b d"},
		{"up=0", "c a b d"},
		{"do=up&m=0&m=1", "c a b d"},
		{"do=up&m=2&m=3", "c b d a"},
		{"do=down&m=0&m=3", "b c d a"},
		{"off=1", "b (c) d a"},
		{"do=out&m=0&m=1", "(b) (c) d a"},
		{"do=in&m=0&m=1", "b c d a"},
		{"copy=0", "b b-2 c d a"},
		{"remove=1", "b c d a"},
		{"do=copy&m=0&m=3", "b b-2 c d a a-2"},
		{"do=remove&m=1&m=5", "b c d a"},
		{"do=group&m=1&m=2&group=First", "b First:c First:d a"},
		{"move=3&to=0", "a b First:c First:d"},
		{"move=0&to=99", "b First:c First:d a"},
	} {
		form, err := url.ParseQuery(c.form)
		must(t, err)
		form.Set("rev", fmt.Sprint(d.procedure("small").Rev))
		if w := d.page("/procedures/small/edit", form); w.Code != http.StatusSeeOther {
			t.Fatalf("%d: %s: status %d: %.300s", i, c.form, w.Code, mainOf(w.Body.String()))
		}
		if got := ids(&d.procedure("small").Body); got != c.want {
			t.Fatalf("%d: %s gives %s, want %s", i, c.form, got, c.want)
		}
	}
	rev := d.procedure("small").Rev
	for _, c := range []struct{ form, says string }{
		{"do=remove", "Tick the measurements first"},
		{"do=dance&m=0", "Nothing is done by"},
		{"up=99", "no measurement at that place"},
		{"up=-1", "no measurement at that place"},
		{"up=x", "no measurement at that place"},
		{"do=group&m=0&group=" + strings.Repeat("x", 61), "at most 60 characters"},
	} {
		form, _ := url.ParseQuery(c.form)
		form.Set("rev", fmt.Sprint(rev))
		d.says(d.page("/procedures/small/edit", form), http.StatusUnprocessableEntity, c.says)
	}
	if now := d.procedure("small").Rev; now != rev {
		t.Errorf("what was refused made revision %d of %d", now, rev)
	}
}

// Two editors of the same revision: the second is told what the first did, and
// what was ticked or typed is still there.
func TestProcedureStale(t *testing.T) {
	d := newDesk(t)
	const path = "/procedures/tarnel-6-quick"
	d.says(d.page(path+"/edit", url.Values{"rev": {"1"}, "off": {"0"}}), http.StatusSeeOther, "")
	w := d.page(path+"/edit", url.Values{"rev": {"1"}, "do": {"remove"}, "m": {"2", "3"}})
	d.says(w, http.StatusConflict, "revision 2")
	if n := strings.Count(w.Body.String(), " checked><div>"); n != 2 {
		t.Errorf("%d rows are still ticked, not 2", n)
	}
	about := url.Values{"rev": {"1"}, "name": {"Mine"}, "notes": {"typed"}, "guard": {"0.5"}, "do": {"save"}, "conditions[0].temperature": {"85"}}
	w = d.page(path+"/about", about)
	d.says(w, http.StatusConflict, "revision 2")
	d.says(w, http.StatusConflict, `value="Mine"`)
	d.says(w, http.StatusConflict, ">typed</textarea>")
	about.Set("rev", "2")
	d.says(d.page(path+"/about", about), http.StatusSeeOther, "")
	now := d.procedure("tarnel-6-quick")
	if b := now.Body; b.Name != "Mine" || b.Guard != 0.5 || len(b.Conditions) != 1 || *b.Conditions[0].Temperature != 85 || !b.Measurements[0].Disabled {
		t.Errorf("saved on top: %+v", b)
	}
	d.says(d.page(path+"/undo", url.Values{"rev": {"2"}}), http.StatusConflict, "revision 3")
	d.says(d.page(path+"/undo", url.Values{"rev": {"3"}}), http.StatusSeeOther, "")
	if b := d.procedure("tarnel-6-quick").Body; b.Name == "Mine" {
		t.Error("undone, and still there")
	}
	d.says(d.page(path+"/revisions", nil), http.StatusOK, "conditions to repeat for")
	d.says(d.page(path+"/bring-back", url.Values{"old": {"3"}, "rev": {"4"}}), http.StatusSeeOther, "")
	if b := d.procedure("tarnel-6-quick").Body; b.Name != "Mine" {
		t.Error("not brought back")
	}
}

// A measurement that somebody else has removed meanwhile can be saved as new.
func TestMeasurementRemovedMeanwhile(t *testing.T) {
	d := newDesk(t)
	const path = "/procedures/tarnel-6-quick"
	m := d.procedure("tarnel-6-quick").Body.Measurements[2]
	k, _ := procedure.KindByKey(m.Kind)
	form := form.MeasurementValues(&m, k)
	form.Set("rev", "1")
	form.Set("kind", m.Kind)
	form.Set("name", "Kept by hand")
	d.says(d.page(path+"/edit", url.Values{"rev": {"1"}, "remove": {"2"}}), http.StatusSeeOther, "")
	w := d.page(path+"/edit/"+m.ID, form)
	d.says(w, http.StatusConflict, "Kept by hand")
	d.says(w, http.StatusConflict, `action="`+path+`/add"`)
	form.Set("rev", "2")
	d.says(d.page(path+"/add", form), http.StatusSeeOther, "")
	all := d.procedure("tarnel-6-quick").Body.Measurements
	if last := all[len(all)-1]; last.Name != "Kept by hand" || last.ID != m.ID {
		t.Errorf("saved as %s %q", last.ID, last.Name)
	}
	d.says(d.page(path+"/edit/none", url.Values{"rev": {"2"}}), http.StatusNotFound, "measurement")
	d.says(d.page(path+"/add?kind=none", nil), http.StatusNotFound, "kind of measurement")
}

// Documents that cannot be imported, and what is said of each.
func TestProcedureImportBad(t *testing.T) {
	d := newDesk(t)
	p := d.procedure("tarnel-6-quick").Body
	text, err := procedureDocument(&p)
	must(t, err)
	good := string(text)
	for _, c := range []struct{ name, document, says string }{
		{"newer", strings.Replace(good, `"format": 1`, `"format": 2, "glow": true`, 1), "update Ohmkeep"},
		{"unknown field", strings.Replace(good, `"settle"`, `"setle"`, 1), "measurements[0].setle"},
		{"not JSON", good[:200], "not valid JSON"},
		{"empty", "  ", "empty"},
		{"two documents", good + good, "follows"},
		{"no device", strings.Replace(good, `"device": "tarnel-6"`, `"device": "gone-9"`, 1), "there is no device gone-9"},
		{"another device", strings.Replace(good, `"device": "tarnel-6"`, `"device": "quorrel-2"`, 1), "Nothing was saved"},
		{"bad value", strings.Replace(good, `"pins": [`, `"pins": [99,`, 1), "pin 99 is not on the device"},
		{"bad number", strings.Replace(good, `"guard": 0`, `"guard": 1e999`, 1), "guard"},
		{"HTML", "<p>hello</p>", "not valid JSON"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := d.page("/procedures/import", url.Values{"document": {c.document}, "do": {"save"}, "rev": {"1"}})
			if w.Code != http.StatusUnprocessableEntity && w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), c.says) {
				t.Errorf("status %d without %q: %.900s", w.Code, c.says, mainOf(w.Body.String()))
			}
		})
	}
	if rev := d.procedure("tarnel-6-quick").Rev; rev != 1 {
		t.Errorf("something was saved: revision %d", rev)
	}
	w := d.page("/procedures/import", url.Values{"document": {good}, "device": {"quorrel-2"}})
	d.says(w, http.StatusOK, "another device than")
	d.says(w, http.StatusOK, "nothing to save")
}

// A file is imported as text is, and nothing is saved before the differences
// were seen.
func TestProcedureImportFile(t *testing.T) {
	d := newDesk(t)
	p := d.procedure("tarnel-6-quick").Body
	p.Name = "Renamed"
	text, err := procedureDocument(&p)
	must(t, err)
	var body bytes.Buffer
	form := multipart.NewWriter(&body)
	file, err := form.CreateFormFile("file", "p.json")
	must(t, err)
	_, err = file.Write(append([]byte("\ufeff"), text...))
	must(t, err)
	must(t, form.Close())
	r := httptest.NewRequest("POST", "/procedures/import", &body)
	r.Header.Set("Content-Type", form.FormDataContentType())
	d.says(d.send(r), http.StatusOK, "It replaces revision 1")
	if d.procedure("tarnel-6-quick").Rev != 1 {
		t.Fatal("saved before it was seen")
	}
	save := url.Values{"document": {string(text)}, "do": {"save"}, "rev": {"1"}}
	d.says(d.page("/procedures/import", save), http.StatusSeeOther, "")
	d.says(d.page("/procedures/import", save), http.StatusConflict, "somebody else has saved")
}

// The export is the same bytes for the same content, whatever revision.
func TestProcedureExport(t *testing.T) {
	d := newDesk(t)
	first := d.page("/procedures/tarnel-6-quick.json", nil)
	if first.Header().Get("Content-Disposition") != "attachment; filename=tarnel-6-quick.json" || first.Header().Get("Content-Type") != "application/json" {
		t.Errorf("headers %v", first.Header())
	}
	d.page("/procedures/tarnel-6-quick/edit", url.Values{"rev": {"1"}, "down": {"0"}})
	second := d.page("/procedures/tarnel-6-quick.json", nil)
	d.page("/procedures/tarnel-6-quick/edit", url.Values{"rev": {"2"}, "up": {"1"}})
	third := d.page("/procedures/tarnel-6-quick.json", nil)
	if first.Body.String() != third.Body.String() || first.Body.String() == second.Body.String() {
		t.Error("the same content is not the same bytes")
	}
}

// What is drafted is shown with its reasons; a reason goes when its value does.
func TestProcedureDraftReasons(t *testing.T) {
	d := newDesk(t)
	w := d.page("/devices/tarnel-6/draft", url.Values{})
	address := w.Header().Get("Location")
	if w.Code != http.StatusSeeOther || !strings.HasSuffix(address, "/edit") {
		t.Fatalf("drafting: %d to %s", w.Code, address)
	}
	const why = "no junction conducts at so little"
	before := strings.Count(d.page(address, nil).Body.String(), why)
	if before == 0 {
		t.Fatal("no reason beside the shorts")
	}
	key := strings.Split(address, "/")[2]
	for _, m := range d.procedure(key).Body.Measurements {
		if m.Kind != "shorts" {
			continue
		}
		k, _ := procedure.KindByKey(m.Kind)
		form := form.MeasurementValues(&m, k)
		form.Set("rev", "1")
		form.Set("limits.current.high", "1 mA")
		d.says(d.page("/procedures/"+key+"/edit/"+m.ID, form), http.StatusSeeOther, "")
		break
	}
	if after := strings.Count(d.page(address, nil).Body.String(), why); after != before-1 {
		t.Errorf("%d reasons, %d after a limit was changed", before, after)
	}
	again := d.page("/devices/tarnel-6/draft", url.Values{}).Header().Get("Location")
	if again == address || again == "" {
		t.Errorf("a second draft went to %q", again)
	}
}

// Who may do what.
func TestProcedureRoles(t *testing.T) {
	d := newDesk(t)
	d.role = store.Viewer
	for _, path := range []string{"/procedures/tarnel-6-quick/edit", "/procedures/tarnel-6-quick/edit/leakage", "/procedures/import"} {
		d.says(d.page(path, nil), http.StatusForbidden, "")
	}
	for _, path := range []string{"/devices/tarnel-6/draft", "/procedures", "/procedures/tarnel-6-quick/edit", "/procedures/tarnel-6-quick/undo"} {
		d.says(d.page(path, url.Values{"rev": {"1"}}), http.StatusForbidden, "")
	}
	for _, path := range []string{"/procedures", "/procedures/tarnel-6-quick.json", "/procedures/tarnel-6-quick/revisions"} {
		d.says(d.page(path, nil), http.StatusOK, "")
	}
	d.role = store.Operator
	d.says(d.page("/procedures/tarnel-6-quick/delete", url.Values{}), http.StatusForbidden, "")
	d.role = store.Owner
	d.says(d.page("/procedures/tarnel-6-quick/delete", url.Values{}), http.StatusSeeOther, "")
	d.says(d.page("/procedures/tarnel-6-quick/edit", nil), http.StatusOK, "was deleted")
	d.says(d.page("/procedures", url.Values{"device": {"tarnel-6"}, "name": {"Of my own"}}), http.StatusSeeOther, "")
	d.says(d.page("/procedures", url.Values{"device": {"none"}, "name": {"Kept"}}), http.StatusUnprocessableEntity, `value="Kept"`)
	d.says(d.page("/procedures", url.Values{"device": {"tarnel-6"}, "name": {""}}), http.StatusUnprocessableEntity, "empty")
}

// TestProcedureDraftOfTheLargestPart: 48 pins are drafted, stored and shown in
// the editor.
func TestProcedureDraftOfTheLargestPart(t *testing.T) {
	d := newDesk(t)
	w := d.page("/devices/averlock-48/draft", url.Values{})
	d.says(d.page(w.Header().Get("Location"), nil), http.StatusOK, "Contact")
}

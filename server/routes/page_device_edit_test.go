package routes

import (
	"fmt"
	"html"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/store"
)

// office is a server with people of every role in it, who follow no redirect.
type office struct {
	*wholeServer
	tokens map[store.Role]string
}

func newOffice(t *testing.T) *office {
	t.Helper()
	d := &office{newLab(t, true), map[store.Role]string{}}
	close(d.gate.open)
	for _, role := range []store.Role{store.Viewer, store.Operator, store.Owner} {
		token, err := d.store.NewToken(t.Context(), role, role.String())
		must(t, err)
		d.tokens[role] = token
	}
	return d
}

// send posts a form, or with none gets a page, and returns status, address of
// a redirect and body.
func (d *office) send(role store.Role, address string, form url.Values) (int, string, string) {
	d.t.Helper()
	method, body := http.MethodGet, io.Reader(nil)
	if form != nil {
		method, body = http.MethodPost, strings.NewReader(form.Encode())
	}
	r, err := http.NewRequest(method, d.web.URL+address, body)
	must(d.t, err)
	r.Header.Set("Authorization", "Bearer "+d.tokens[role])
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	resp, err := (&http.Transport{}).RoundTrip(r)
	must(d.t, err)
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	must(d.t, err)
	return resp.StatusCode, resp.Header.Get("Location"), string(text)
}

func (d *office) expect(role store.Role, address string, form url.Values, status int, parts ...string) string {
	d.t.Helper()
	got, _, body := d.send(role, address, form)
	if got != status {
		d.t.Fatalf("%s answers %d, want %d:\n%.2000s", address, got, status, body)
	}
	for _, p := range parts {
		if !strings.Contains(html.UnescapeString(body), p) {
			d.t.Errorf("%s does not say %q", address, p)
		}
	}
	return body
}

// spare stores a device that no procedure uses, with its form as it is opened.
func (d *office) spare() url.Values {
	d.t.Helper()
	dev := loadDevice()
	dev.Key, dev.Name = "spare", "Spare load"
	_, err := d.store.SaveDevice(d.t.Context(), dev, 0, "Ann")
	must(d.t, err)
	return d.formOf("spare")
}

func (d *office) formOf(key string) url.Values {
	d.t.Helper()
	now, err := d.store.GetDevice(d.t.Context(), key, 0)
	must(d.t, err)
	v := form.DeviceValues(&now.Body)
	v.Set("rev", fmt.Sprint(now.Rev))
	v.Set("do", "save")
	return v
}

// Two people edit one revision: the second is told what the first changed,
// loses nothing, and can save on top.
func TestTwoDeviceEditors(t *testing.T) {
	d := newOffice(t)
	first, second := d.spare(), d.formOf("spare")
	first["maxV"][0] = "12 V"
	d.expect(store.Operator, "/devices/spare/edit", first, 303)
	second["maxI"][1] = "77m"
	second.Set("description", "what the second one typed")
	body := d.expect(store.Owner, "/devices/spare/edit", second, 409, "operator saved revision 2", "12 V", `value="77m"`,
		"what the second one typed", "Save on top", `name="rev" value="2"`)
	if strings.Count(body, `name="number"`) != 5 {
		t.Error("rows are missing")
	}
	second.Set("rev", "2")
	merged := url.Values{"from": {"1"}}
	for k, v := range second {
		merged[k] = append([]string(nil), v...)
	}
	merged.Set("do", "merge")
	d.expect(store.Owner, "/devices/spare/edit", merged, 200, "12 V", `value="77m"`, "what the second one typed")
	d.expect(store.Owner, "/devices/spare/edit", second, 303)
	now, err := d.store.GetDevice(t.Context(), "spare", 0)
	must(t, err)
	if now.Rev != 3 || now.Body.Pins[1].MaxI != 0.077 || now.Body.Pins[0].MaxV != 10 || now.By != "owner" {
		t.Errorf("kept %+v", now)
	}
	d.expect(store.Viewer, "/devices/spare/revisions", nil, 200, "Revision 3", "what the second one typed")
}

// What was not edited makes no new revision.
func TestUneditedDevice(t *testing.T) {
	d := newOffice(t)
	d.expect(store.Operator, "/devices/spare/edit", d.spare(), 303)
	if now, err := d.store.GetDevice(t.Context(), "spare", 0); err != nil || now.Rev != 1 {
		t.Errorf("revision %d, %v", now.Rev, err)
	}
}

func TestDeletedWhileEdited(t *testing.T) {
	d := newOffice(t)
	form := d.spare()
	d.expect(store.Operator, "/devices/spare/delete", url.Values{}, 403)
	d.expect(store.Owner, "/devices/spare/delete", url.Values{}, 303)
	form.Set("description", "typed meanwhile")
	d.expect(store.Operator, "/devices/spare/edit", form, 409, "owner deleted this device", "typed meanwhile", "brings the device back", `name="revive"`)
	form.Set("revive", "1")
	d.expect(store.Operator, "/devices/spare/edit", form, 303)
	if now, err := d.store.GetDevice(t.Context(), "spare", 0); err != nil || now.Removed || now.Body.Description != "typed meanwhile" {
		t.Errorf("%+v, %v", now, err)
	}
}

func TestDeleteDeviceInUse(t *testing.T) {
	d := newOffice(t)
	_, err := d.store.SaveProcedure(t.Context(), loadProcedure(), 0, "Ann")
	must(t, err)
	d.expect(store.Owner, "/devices/load/delete", url.Values{}, 409, "Procedures are written for this device", "Check")
	if now, err := d.store.GetDevice(t.Context(), "load", 0); err != nil || now.Removed {
		t.Errorf("it is gone: %v", err)
	}
}

func TestUndoDevice(t *testing.T) {
	d := newOffice(t)
	form := d.spare()
	d.expect(store.Operator, "/devices/spare/undo", url.Values{"rev": {"1"}}, 409, "first revision")
	form.Set("description", "an edit")
	d.expect(store.Operator, "/devices/spare/edit", form, 303)
	d.expect(store.Operator, "/devices/spare/undo", url.Values{"rev": {"1"}}, 409)
	d.expect(store.Operator, "/devices/spare/undo", url.Values{"rev": {"2"}}, 303)
	if now, err := d.store.GetDevice(t.Context(), "spare", 0); err != nil || now.Rev != 3 || now.Body.Description != "" {
		t.Errorf("%+v, %v", now, err)
	}
	d.expect(store.Operator, "/devices/spare/bring-back", url.Values{"old": {"2"}, "rev": {"2"}}, 409)
	d.expect(store.Operator, "/devices/spare/bring-back", url.Values{"old": {"9"}, "rev": {"3"}}, 404)
	d.expect(store.Operator, "/devices/spare/bring-back", url.Values{"old": {"2"}, "rev": {"3"}}, 303)
	if now, err := d.store.GetDevice(t.Context(), "spare", 0); err != nil || now.Body.Description != "an edit" {
		t.Errorf("%+v, %v", now, err)
	}
}

// What a button of the editor does to the form; nothing is stored.
func TestDeviceFormButtons(t *testing.T) {
	d := newOffice(t)
	form := d.spare()
	ask := func(do string, change func(url.Values), status int, parts ...string) {
		t.Helper()
		v := url.Values{}
		for k, list := range form {
			v[k] = append([]string(nil), list...)
		}
		v.Set("do", do)
		if change != nil {
			change(v)
		}
		d.expect(store.Operator, "/devices/spare/edit", v, status, parts...)
	}
	ask("look", func(v url.Values) { v["maxV"][0] = "5 apples" }, 200, "5 apples", "aria-invalid")
	ask("save", func(v url.Values) { v["maxV"][0] = "5 apples" }, 422, "5 apples", `id="device-pins-0-maxV-error"`)
	ask("package", func(v url.Values) { v.Set("pins", "6") }, 200, `id="device-pins-5-name"`)
	ask("package", func(v url.Values) { v.Set("pins", "600") }, 422)
	ask("reverse", nil, 200)
	ask("shift", func(v url.Values) { v.Set("by", "much") }, 422, "whole number of places")
	ask("shift", func(v url.Values) { v.Set("by", "1"); v["minV"][2] = "low" }, 422, "nothing was changed", `value="low"`)
	ask("sort", nil, 200)
	ask("up:7", nil, 200)
	ask("up:-1", nil, 200)
	ask("nonsense", nil, 200)
	if now, err := d.store.GetDevice(t.Context(), "spare", 0); err != nil || now.Rev != 1 {
		t.Errorf("a button stored something: %v", err)
	}
}

func TestDuplicateDevice(t *testing.T) {
	d := newOffice(t)
	d.expect(store.Operator, "/devices/load/duplicate", url.Values{"name": {"Known load"}}, 303)
	copied, err := d.store.GetDevice(t.Context(), "known-load", 0)
	must(t, err)
	pm, err := d.store.GetPinMap(t.Context(), "known-load", "rehearsal", 0)
	must(t, err)
	if copied.Body.Name != "Known load" || pm.Body.Device != "known-load" || pm.Body.Contacts[4] != 4 {
		t.Errorf("%+v, %+v", copied.Body, pm.Body)
	}
	if _, to, _ := d.send(store.Operator, "/devices/load/duplicate", url.Values{"name": {"Known load"}}); to != "/devices/known-load-2/edit" {
		t.Errorf("the second copy is at %s", to)
	}
	d.expect(store.Operator, "/devices/load/duplicate", url.Values{"name": {strings.Repeat("x", 5000)}}, 422, "No copy was made")
	d.expect(store.Operator, "/devices/nobody/duplicate", url.Values{"name": {"x"}}, 404)
}

// Whatever is pasted is answered, with what was typed still there.
func TestPastedBadly(t *testing.T) {
	d := newOffice(t)
	head := url.Values{"name": {"Some <script>alert(1)</script> part"}, "family": {""}, "do": {"understand"}}
	for name, c := range map[string]struct {
		text   string
		status int
		parts  []string
	}{
		"nothing":          {" \n ", 422, []string{"paste a table"}},
		"prose":            {"There is no table here.", 422, []string{"There is no table here."}},
		"script":           {"1;<script>alert(2)</script>;input\n2;GND;ground\n3;V;supply\n4;O;output", 200, nil},
		"pin 0":            {"0;A;input\n1;GND;ground\n2;V;supply\n3;B;input\n4;C;input", 200, []string{"0"}},
		"pin 49":           {"49;A;input\n1;GND;ground\n2;V;supply\n3;B;input\n4;C;input", 200, []string{"49"}},
		"twice":            {"1;A;input\n1;B;input\n2;GND;ground\n3;V;supply\n4;C;input", 200, nil},
		"no ground":        {"1;A;input\n2;B;output\n3;V;supply\n4;C;input", 200, []string{"no pin is ground"}},
		"ten thousand":     {strings.Repeat("7;A;input;5\n", 10000), 422, nil},
		"huge":             {strings.Repeat("x;", 600<<10), 422, nil},
		"decimal commas":   {"Pin\tName\tType\tVmax / V\n1\tA\tinput\t5,5\n2\tGND\tground\t0\n3\tV\tsupply\t6,0\n4\tB\toutput\t5,5", 200, []string{"5.5 V"}},
		"control and bad":  {"1;A\x00\xff;input\n2;GND;ground\n3;V;supply\n4;B;input", 422, []string{"UTF-8"}},
		"merged cells":     {"Pin\tName\tType\n1\tA\tinput\n2\t\t\n3\tV\tsupply\n4\tGND\tground", 200, nil},
		"one line of tabs": {"\t\t\t\t", 422, nil},
	} {
		form := url.Values{"paste": {c.text}}
		for k, v := range head {
			form[k] = v
		}
		status, _, body := d.send(store.Operator, "/devices/new", form)
		if status != c.status {
			t.Errorf("%s: status %d, want %d", name, status, c.status)
		}
		if strings.Contains(body, "<script>alert") {
			t.Errorf("%s: a script of the table is on the page", name)
		}
		if !strings.Contains(html.UnescapeString(body), "Some <script>alert(1)</script> part") {
			t.Errorf("%s: the name is lost", name)
		}
		if first, _, _ := strings.Cut(c.text, "\n"); strings.TrimSpace(first) != "" && strings.ToValidUTF8(first, "") == first && !strings.Contains(html.UnescapeString(body), first) {
			t.Errorf("%s: the pasted text is lost", name)
		}
		for _, p := range c.parts {
			if !strings.Contains(html.UnescapeString(body), p) {
				t.Errorf("%s: the page does not say %q", name, p)
			}
		}
	}
	tooMuch := url.Values{"paste": {strings.Repeat("x", maxBody)}, "do": {"understand"}}
	if status, _, _ := d.send(store.Operator, "/devices/new", tooMuch); status != 413 {
		t.Errorf("more than any body may have answers %d", status)
	}
}

// A described part is stored with a pin map; names and keys are checked.
func TestDescribeBadly(t *testing.T) {
	d := newOffice(t)
	dev := loadDevice()
	form := form.DeviceValues(&dev)
	form.Set("do", "save")
	form.Set("key", "load")
	d.expect(store.Operator, "/devices/new", form, 409, "there is already a device load")
	form.Set("key", "new")
	d.expect(store.Operator, "/devices/new", form, 422, "choose another key")
	form.Set("key", "Not A Key!")
	d.expect(store.Operator, "/devices/new", form, 422, "lower-case letters")
	form.Set("key", "")
	form.Set("name", "New")
	if status, to, _ := d.send(store.Operator, "/devices/new", form); status != 303 || to != "/devices/new-2" {
		t.Errorf("a device called New: %d, at %s", status, to)
	}
	if _, err := d.store.GetPinMap(t.Context(), "new-2", "rehearsal", 0); err != nil {
		t.Errorf("no pin map: %v", err)
	}
	form.Set("name", "")
	d.expect(store.Operator, "/devices/new", form, 422)
	d.expect(store.Operator, "/devices/new", url.Values{"do": {"save"}}, 422)
	d.expect(store.Operator, "/devices/new", url.Values{}, 200)
	d.expect(store.Operator, "/devices/new", url.Values{"do": {"blank"}}, 422)
	d.expect(store.Operator, "/devices/new", url.Values{"do": {"blank"}, "family": {"quad"}, "pins": {"16"}}, 200, `id="device-pins-15-name"`)
	d.expect(store.Viewer, "/devices/new", nil, 403)
}

// mapForm is the form of a pin map as it is opened.
func (d *office) mapForm(pm *bench.PinMap, rev int) url.Values {
	m := mapping{device: loadDevice()}
	def := d.definition()
	m.fill(&def, pm)
	m.values.Set("rev", fmt.Sprint(rev))
	m.values.Set("do", "save")
	return m.values
}

func (d *office) definition() bench.Definition {
	def, err := d.store.GetBench(d.t.Context(), "rehearsal", 0)
	must(d.t, err)
	return def.Body
}

func TestPinMapForm(t *testing.T) {
	d := newOffice(t)
	ctx := t.Context()
	pm, err := d.store.GetPinMap(ctx, "load", "rehearsal", 0)
	must(t, err)
	filled := func() url.Values { return d.mapForm(&pm.Body, 1) }

	wrong := filled()
	wrong["contact"][1] = wrong["contact"][0]
	d.expect(store.Operator, "/devices/load/pinmap", wrong, 422, "already holds pin 1")
	wrong["contact"][1] = "four"
	d.expect(store.Operator, "/devices/load/pinmap", wrong, 422, `value="four"`, "not a whole number")
	wrong["contact"][1] = "49"
	d.expect(store.Operator, "/devices/load/pinmap", wrong, 422, "is not on the bench")
	wrong["contact"][1] = ""
	d.expect(store.Operator, "/devices/load/pinmap", wrong, 422, "has no contact")

	strapped := filled()
	form.StrapColumns.Add(strapped, "2", "return", "", "")
	form.StrapColumns.Add(strapped, "3", "channel", "2b", "")
	form.StrapColumns.Add(strapped, "4", "resistor", "9", "4k7")
	form.StrapColumns.Add(strapped, "", "", "", "")
	d.expect(store.Operator, "/devices/load/pinmap", strapped, 303)
	now, err := d.store.GetPinMap(ctx, "load", "rehearsal", 0)
	must(t, err)
	want := []bench.Strap{{Contact: 2, Kind: bench.StrapReturn}, {Contact: 3, Kind: bench.StrapChannel, Channel: 4},
		{Contact: 4, Kind: bench.StrapResistor, To: 9, Resistance: 4700}}
	if fmt.Sprint(now.Body.Straps) != fmt.Sprint(want) {
		t.Errorf("kept %+v, want %+v", now.Body.Straps, want)
	}
	second := filled()
	second["contact"][3] = "30"
	d.expect(store.Owner, "/devices/load/pinmap", second, 409, "operator saved revision 2", `value="30"`, "strap on contact 2", "Save on top")

	for field, row := range map[string][]string{
		"straps-0-to": {"1", "channel", "7X", ""}, "straps-0-kind": {"1", "", "", ""}, "straps-0-contact": {"99", "return", "", ""},
		"straps-0-resistance": {"1", "resistor", "", "-5"},
	} {
		bad := filled()
		form.StrapColumns.Add(bad, row...)
		d.expect(store.Operator, "/devices/load/pinmap", bad, 422, `id="map-`+field+`-error"`)
	}
	d.expect(store.Operator, "/devices/load/pinmap", url.Values{"do": {"propose"}}, 200, "How it was proposed")
	d.expect(store.Operator, "/devices/load/pinmap", url.Values{"do": {"save"}}, 422)
	d.expect(store.Viewer, "/devices/load/pinmap", nil, 200)
	d.expect(store.Viewer, "/devices/load/pinmap", url.Values{}, 403)
	d.expect(store.Viewer, "/devices/load/wiring", nil, 200, "to channel 2B", "4.70 kΩ to contact 9")
	d.expect(store.Operator, "/devices/load/pinmap/undo", url.Values{"rev": {"2"}}, 303)
	d.expect(store.Viewer, "/devices/load/pinmap/revisions", nil, 200, "Revision 3", "strap on contact 3")
}

// A device without a pin map is shown the proposed one.
func TestPinMapOfNewDevice(t *testing.T) {
	d := newOffice(t)
	d.spare()
	d.expect(store.Operator, "/devices/spare/pinmap", nil, 200, "There is no pin map on this bench yet", "How it was proposed")
	d.expect(store.Viewer, "/devices/spare/wiring", nil, 409, "has no pin map")
	large := dut.Device{Key: "large", Name: "Large", Package: dut.Package{Family: dut.SingleRow, Pins: 48}}
	for n := 1; n <= 48; n++ {
		large.Pins = append(large.Pins, dut.NewPin(n))
	}
	_, err := d.store.SaveDevice(t.Context(), large, 0, "Ann")
	must(t, err)
	d.expect(store.Operator, "/devices/large/pinmap", nil, 200)
}

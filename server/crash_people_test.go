package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// busyLab is a lab in which everything is at work while the server is killed:
// people edit, write notes, invite, sign in, make and take back tokens and links,
// delete, and back up. Each works on its own things, one request after the other.
type busyLab struct {
	*ledger
	t       *testing.T
	c       *apiClient // of an owner
	device  dut.Device
	counted func() // is told of each answer

	mu      sync.Mutex
	runs    []string // that have ended, oldest first
	shared  int      // links made so far, to name things by
	devices int      // revision of the edited device
	plans   int      // of the edited procedure
	event   int64    // number of the newest line of the log that was shown
	backups []promisedBackup
	made    int // backups that were said to be written, and looked at
}

// promisedBackup is a backup that was said to be written, and what was kept
// before it was asked for: it must hold that.
type promisedBackup struct {
	path        string
	device, run string // the edited device; the newest run that had ended
	rev         int
	event       int64
}

const (
	editedDevice = "edited"
	staying      = 16 // every so many-th of persons, tokens and links is not taken back
	runsKept     = 4  // that are not deleted
)

func newBusyLab(t *testing.T, c *apiClient) *busyLab {
	b := &busyLab{ledger: newLedger(), t: t, c: c}
	for _, d := range demo.Scenario().Devices {
		if d.Key == demo.TarnelKey {
			b.device = d
		}
	}
	b.device.Key = editedDevice
	return b
}

// work has everybody at work until the server is gone. Each answer is counted.
func (b *busyLab) work(counted func()) {
	b.counted = counted
	var all sync.WaitGroup
	for _, one := range []func() bool{b.editDevice, b.editProcedure, b.writeNote, b.delete, b.invite, b.makeToken, b.share, b.readLog, b.backUp} {
		all.Go(func() {
			for one() {
			}
		})
	}
	all.Wait()
}

// request sends what must be answered with this status. It reports false when the
// server is gone; every other answer fails the test.
func (b *busyLab) request(method, path string, body any, rev, want int, out any) bool {
	status, text, err := b.c.tryRevision(method, path, body, rev)
	switch {
	case err != nil:
		return false
	case status != want:
		b.t.Errorf("%s %s: %d %s", method, path, status, text)
		return false
	}
	b.counted()
	if out == nil {
		return true
	}
	if err := json.Unmarshal(text, out); err != nil {
		b.t.Errorf("%s %s: %v: %s", method, path, err, text)
		return false
	}
	return true
}

// number names something new.
func (b *busyLab) number() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.shared++
	return b.shared
}

// revision makes the next revision of a document and promises it for good.
func (b *busyLab) revision(path string, rev *int, body any, field, text string) bool {
	b.mu.Lock()
	from := *rev
	b.mu.Unlock()
	name := fmt.Sprintf("%s, revision %d", path, from+1)
	b.ask(name, text, get(fmt.Sprintf("%s?rev=%d", path, from+1), func(answer []byte) string {
		var d struct{ Body map[string]any }
		_ = json.Unmarshal(answer, &d) // nothing is in it then
		return fmt.Sprint(d.Body[field])
	}))
	want := http.StatusOK
	if from == 0 {
		want = http.StatusCreated
	}
	if !b.request("PUT", path, body, from, want, nil) {
		return false
	}
	b.answered(name)
	b.mu.Lock()
	defer b.mu.Unlock()
	*rev = from + 1
	return true
}

func (b *busyLab) editDevice() bool {
	d, text := b.device, fmt.Sprint("edit ", b.number())
	d.Description = text
	return b.revision("/devices/"+d.Key, &b.devices, d, "description", text)
}

func (b *busyLab) editProcedure() bool {
	p, text := crashing(), fmt.Sprint("edit ", b.number())
	p.Key, p.Name = "edited", text
	return b.revision("/procedures/"+p.Key, &b.plans, p, "name", text)
}

// ended returns the runs that have ended, oldest first.
func (b *busyLab) ended() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.runs)
}

// change promises that something stands so once the request is answered.
func (b *busyLab) change(name, state string, look func(*apiClient) string, method, path string, body any, want int) bool {
	b.ask(name, state, look)
	if !b.request(method, path, body, 0, want, nil) {
		return false
	}
	b.answered(name)
	return true
}

func (b *busyLab) writeNote() bool {
	runs := b.ended()
	if len(runs) == 0 {
		return false
	}
	id, text := runs[len(runs)-1], fmt.Sprint("note ", b.number())
	return b.change("note of "+id, text, get("/runs/"+id, func(answer []byte) string {
		var r procedure.Record
		_ = json.Unmarshal(answer, &r)
		return r.Note
	}), "PATCH", "/runs/"+id, map[string]string{"note": text}, http.StatusNoContent)
}

// delete deletes the oldest run beyond those that are kept; where there is none,
// a device that is made for it.
func (b *busyLab) delete() bool {
	if runs := b.ended(); len(runs) > runsKept {
		id := runs[0]
		if !b.change("note of "+id, "404", get("/runs/"+id, func([]byte) string { return "there" }), "DELETE", "/runs/"+id, nil, http.StatusNoContent) {
			return false
		}
		b.mu.Lock()
		defer b.mu.Unlock()
		b.runs = b.runs[1:]
		return true
	}
	d := b.device
	d.Key = fmt.Sprint("passing-", b.number())
	path, name := "/devices/"+d.Key, "device "+d.Key
	look := get(path, func(answer []byte) string {
		var d struct{ Removed bool }
		_ = json.Unmarshal(answer, &d) // nothing is in it then
		return fmt.Sprint("removed: ", d.Removed)
	})
	return b.change(name, "removed: false", look, "PUT", path, d, http.StatusCreated) &&
		b.change(name, "removed: true", look, "DELETE", path, nil, http.StatusNoContent)
}

// invite lets somebody in who signs in, is given another role, and at times
// removed.
func (b *busyLab) invite() bool {
	n := b.number()
	var key struct {
		ID   int64
		Path string
	}
	if !b.request("POST", "/invitations", map[string]any{"role": "viewer", "uses": 2}, 0, http.StatusCreated, &key) {
		return false
	}
	invitation, link := fmt.Sprint("invitation ", key.ID), opens(key.Path, func(*http.Request) {})
	b.tell(invitation, "200", link)
	name := fmt.Sprint("Person ", n)
	session, ok := b.signIn(key.Path, name)
	if !ok {
		return false
	}
	b.tell("browser of "+name, "200", opens("/devices", func(r *http.Request) { r.AddCookie(session) }))
	if !b.change(invitation, "401", link, "DELETE", fmt.Sprint("/invitations/", key.ID), nil, http.StatusNoContent) {
		return false
	}
	var persons struct{ Items []store.Person }
	if !b.request("GET", "/persons", nil, 0, http.StatusOK, &persons) {
		return false
	}
	at := slices.IndexFunc(persons.Items, func(p store.Person) bool { return p.Name == name })
	if at < 0 {
		b.t.Errorf("%s is not among the persons", name)
		return false
	}
	path := fmt.Sprint("/persons/", persons.Items[at].ID)
	look := get("/persons", roleOf(name))
	b.tell(name, "viewer", look)
	if !b.change(name, "operator", look, "PUT", path, map[string]any{"role": "operator"}, http.StatusOK) {
		return false
	}
	if n%staying == 0 { // who stays shows that nobody is lost who was not removed
		return true
	}
	b.ask("browser of "+name, "401", nil)
	if !b.change(name, "removed", look, "DELETE", path, nil, http.StatusNoContent) {
		return false
	}
	b.answered("browser of " + name)
	return true
}

// roleOf picks a person's role out of the list of persons.
func roleOf(name string) func(text []byte) string {
	return func(text []byte) string {
		var persons struct{ Items []struct{ Name, Role string } }
		_ = json.Unmarshal(text, &persons)
		for _, p := range persons.Items {
			if p.Name == name {
				return p.Role
			}
		}
		return "removed"
	}
}

// signIn uses an invitation as a newcomer and returns the session.
func (b *busyLab) signIn(path, name string) (*http.Cookie, bool) {
	key := path[strings.Index(path, "=")+1:]
	r, err := http.NewRequest("POST", b.c.base+"/sign-in", strings.NewReader(url.Values{"key": {key}, "name": {name}}.Encode()))
	if err != nil {
		b.t.Error(err)
		return nil, false
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	resp, err := http.DefaultTransport.RoundTrip(r)
	if err != nil {
		return nil, false // killed
	}
	_ = resp.Body.Close() // only its head counts
	if resp.StatusCode != http.StatusSeeOther || len(resp.Cookies()) != 1 {
		b.t.Errorf("signing in as %s: %s", name, resp.Status)
		return nil, false
	}
	return resp.Cookies()[0], true
}

// makeToken makes a token, and revokes most.
func (b *busyLab) makeToken() bool {
	n := b.number()
	var made struct {
		ID    int64
		Token string
	}
	if !b.request("POST", "/tokens", map[string]any{"name": fmt.Sprint("Program ", n), "scope": "read"}, 0, http.StatusCreated, &made) {
		return false
	}
	name, look := fmt.Sprint("token ", made.ID), opens("/api/v1/benches", func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+made.Token) })
	b.tell(name, "200", look)
	return n%staying == 0 || b.change(name, "401", look, "DELETE", fmt.Sprint("/tokens/", made.ID), nil, http.StatusNoContent)
}

// share makes a link to the edited device, and revokes most.
func (b *busyLab) share() bool {
	n := b.number()
	var made struct {
		ID   int64
		Path string
	}
	if !b.request("POST", "/shares", map[string]any{"kind": "device", "subject": demo.TarnelKey}, 0, http.StatusCreated, &made) {
		return false
	}
	name, look := fmt.Sprint("share ", made.ID), opens(made.Path, func(*http.Request) {})
	b.tell(name, "200", look)
	return n%staying == 0 || b.change(name, "404", look, "DELETE", fmt.Sprint("/shares/", made.ID), nil, http.StatusNoContent)
}

// readLog reads the newest line of the log of who did what: it stays as it is.
func (b *busyLab) readLog() bool {
	var page struct{ Items []json.RawMessage }
	if !b.request("GET", "/events?limit=1", nil, 0, http.StatusOK, &page) {
		return false
	}
	var line struct{ ID int64 }
	if len(page.Items) != 1 || json.Unmarshal(page.Items[0], &line) != nil {
		b.t.Errorf("the log has %s", page.Items)
		return false
	}
	b.mu.Lock()
	b.event = max(b.event, line.ID)
	b.mu.Unlock()
	b.tell(fmt.Sprint("line ", line.ID), string(page.Items[0]), get(fmt.Sprintf("/events?limit=1&cursor=%d", line.ID+1), func(text []byte) string {
		var page struct{ Items []json.RawMessage }
		if json.Unmarshal(text, &page) != nil || len(page.Items) != 1 {
			return string(text)
		}
		return string(page.Items[0])
	}))
	return true
}

// backUp makes a backup and waits until it is said to be written.
func (b *busyLab) backUp() bool {
	b.mu.Lock()
	want := promisedBackup{device: editedDevice, rev: b.devices, event: b.event}
	if len(b.runs) > 0 {
		want.run = b.runs[len(b.runs)-1]
	}
	b.mu.Unlock()
	var begun, now struct {
		Running bool
		Items   []struct{ Path, Error string }
	}
	if !b.request("POST", "/data/backups", nil, 0, http.StatusAccepted, &begun) {
		return false
	}
	for now.Running = true; now.Running; {
		if !b.request("GET", "/data/backups", nil, 0, http.StatusOK, &now) {
			return false
		}
	}
	if len(now.Items) == 0 || now.Items[0].Error != "" {
		b.t.Errorf("a backup came to %+v", now.Items)
		return false
	}
	want.path = now.Items[0].Path
	b.mu.Lock()
	defer b.mu.Unlock()
	b.backups = append(b.backups, want)
	return true
}

// over adds a run that has ended.
func (b *busyLab) over(id string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.runs = append(b.runs, id)
}

// after holds everything that was said against what there is after a restart.
func (b *busyLab) after(all bool) {
	b.t.Helper()
	b.lookUp(b.t, b.c, all)
	b.mu.Lock()
	defer b.mu.Unlock()
	// What was asked for without an answer may have been carried out.
	for path, rev := range map[string]*int{"/devices/" + editedDevice: &b.devices, "/procedures/edited": &b.plans} {
		var now struct{ Rev int }
		if status, text, err := b.c.try("GET", path, nil); err == nil && status == http.StatusOK && json.Unmarshal(text, &now) == nil {
			*rev = now.Rev
		}
	}
	b.runs = slices.DeleteFunc(b.runs, func(id string) bool {
		status, _, _ := b.c.try("GET", "/runs/"+id, nil)
		return status == http.StatusNotFound
	})
	for _, one := range b.backups[max(0, len(b.backups)-backupsLookedAt):] {
		b.made++
		b.restores(one)
	}
	b.backups = nil
	var notices struct{ Items []json.RawMessage }
	b.c.do("GET", "/data/notices", nil, &notices)
	if len(notices.Items) > 0 {
		b.t.Errorf("the start says of a database that nobody touched: %s", notices.Items)
	}
}

// backupsLookedAt is how many of the backups of a round are restored: the newest.
const backupsLookedAt = 2

// restores restores a backup into a directory of its own, and holds it against
// what was kept before it was asked for.
func (b *busyLab) restores(one promisedBackup) {
	b.t.Helper()
	dir := storetest.Dir(b.t)
	if err := restore(b.t.Context(), one.path, dir, restoring{}, io.Discard); err != nil {
		b.t.Errorf("%s, said to be written, cannot be restored: %v", one.path, err)
		return
	}
	path := databasePath(dir)
	s, err := store.Open(b.t.Context(), path, store.Options{})
	if err != nil {
		b.t.Error(err)
		return
	}
	defer func() {
		if err := errors.Join(s.Close(), store.RemoveFile(path)); err != nil {
			b.t.Error(err)
		}
	}()
	if one.rev > 0 {
		if d, err := s.GetDevice(b.t.Context(), one.device, 0); err != nil || d.Rev < one.rev {
			b.t.Errorf("%s: the device has %+v, %v, revision %d was kept before", filepath.Base(one.path), d, err, one.rev)
		}
	}
	if one.run != "" {
		if _, err := s.GetRun(b.t.Context(), one.run); err != nil {
			b.t.Errorf("%s: %v", filepath.Base(one.path), err)
		}
	}
	if last, _, err := s.LastEvent(b.t.Context()); err != nil || last < one.event {
		b.t.Errorf("%s: the log ends with line %s, %v, line %d was shown before", filepath.Base(one.path), strconv.FormatInt(last, 10), err, one.event)
	}
}

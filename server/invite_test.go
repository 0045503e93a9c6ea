package main

import (
	"bytes"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/testkit"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// lastLine runs a subcommand and returns the last line that it prints.
func lastLine(t *testing.T, args ...string) (string, error) {
	t.Helper()
	var out, errs bytes.Buffer
	err := command(t.Context(), args, &out, &errs)
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	return lines[len(lines)-1], err
}

// TestInviteBesideTheServer: a lost key is replaced on the host while the server
// runs, and what the host ends closes what is open in the server.
func TestInviteBesideTheServer(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", false)
	link, err := lastLine(t, "invite", "-data", p.dir, "-role", "owner", "-public", p.base)
	if err != nil || !strings.HasPrefix(link, p.base+"/sign-in?key=") {
		t.Fatalf("%q, %v", link, err)
	}
	_, key, _ := strings.Cut(link, "key=")
	session, err := p.app.store.UseInvitation(t.Context(), key, "Olga", "", time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	a, err := p.app.store.Session(t.Context(), session)
	if err != nil || a.Role != store.Owner {
		t.Errorf("%+v, %v", a, err)
	}
	link, err = lastLine(t, "invite", "-data", p.dir, "-person", "Olga")
	if err != nil || !strings.HasPrefix(link, p.base+"/sign-in?key=") { // where the server is
		t.Errorf("%q, %v", link, err)
	}
	link, err = lastLine(t, "invite", "-data", p.dir, "-listen", "127.0.0.1:8123")
	if err != nil || !strings.HasPrefix(link, "http://127.0.0.1:8123/sign-in?key=") {
		t.Errorf("where it is said to listen: %q, %v", link, err)
	}
	if token, err := lastLine(t, "token", "-data", p.dir, "-role", "operator", "-name", "script", "-person", "Olga", "-for", "1h"); err != nil || len(token) != 43 {
		t.Errorf("%q, %v", token, err)
	}
	for _, args := range [][]string{{"-role", "king"}, {"-person", "Nobody"}, {"-public", "lab"}, {"-uses", "0"}, {"-for", "-1h"}, {"rest"}} {
		if _, err := lastLine(t, append([]string{"invite", "-data", p.dir}, args...)...); err == nil {
			t.Errorf("invite %q succeeds", args)
		}
	}
	if _, err := lastLine(t, "invite", "-data", storetest.Dir(t)); err == nil {
		t.Error("an invitation without a database")
	}
}

// TestInviteKnowsTheAddress: a link leads to the address that the server had at
// its last start, also while it is stopped; a file of it that is damaged is said,
// and without one the default stands.
func TestInviteKnowsTheAddress(t *testing.T) {
	t.Parallel()
	p := startProgramWith(t, "", options{Listen: "127.0.0.1:0", Public: "https://lab.example:8480"})
	p.stop()
	file := filepath.Join(p.dir, "address")
	info, err := os.Stat(file)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Fatalf("%v, %v", info, err)
	}
	invited := func(want string) {
		t.Helper()
		link, err := lastLine(t, "invite", "-data", p.dir)
		if err != nil || !strings.HasPrefix(link, want+"/sign-in?key=") {
			t.Errorf("%q, %v, want %s", link, err, want)
		}
	}
	invited("https://lab.example:8480")
	certFile, keyFile := filepath.Join(p.dir, "cert.pem"), filepath.Join(p.dir, "key.pem")
	testkit.Certificate(t, certFile, keyFile, 1, time.Now().Add(time.Hour))
	secure := startProgramWith(t, p.dir, options{Listen: "127.0.0.1:0", TLSCert: certFile, TLSKey: keyFile})
	if !strings.HasPrefix(secure.base, "https://") {
		t.Fatal(secure.base)
	}
	invited(secure.base)
	secure.stop()
	if err := os.WriteFile(file, []byte("lab\x00"), 0o600); err != nil {
		t.Fatal(err)
	}
	if link, err := lastLine(t, "invite", "-data", p.dir); err == nil || !strings.Contains(err.Error(), "-public") {
		t.Errorf("a damaged address: %q, %v", link, err)
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	invited("http://" + defaultListen)
}

// TestPublicAddress: the address in links is the one given or detected, and
// leads to the server from where others are.
func TestPublicAddress(t *testing.T) {
	lan := []netip.Addr{netip.MustParseAddr("127.0.0.1"), netip.MustParseAddr("fe80::1"), netip.MustParseAddr("169.254.3.4"), netip.MustParseAddr("192.0.2.7")}
	known, unknown := func(string) bool { return true }, func(string) bool { return false }
	for _, c := range []struct {
		listen, name string
		knows        func(string) bool
		own          []netip.Addr
		want         string
	}{
		{"127.0.0.1:8480", "Lab", known, lan, "127.0.0.1:8480"},
		{"[::1]:8480", "Lab", known, lan, "[::1]:8480"},
		{"192.0.2.9:80", "Lab", known, lan, "192.0.2.9:80"},
		{"0.0.0.0:8480", "Lab", known, lan, "lab:8480"},
		{"[::]:8480", "lab", unknown, lan, "192.0.2.7:8480"},
		{":8480", "", known, lan, "192.0.2.7:8480"},
		{":8480", "localhost", known, nil, "localhost:8480"},
	} {
		if got := reachable(c.listen, c.name, c.knows, c.own); got != c.want {
			t.Errorf("%+v: %s", c, got)
		}
	}
	for given, want := range map[string]string{"https://lab.example": "https://lab.example", "http://10.0.0.1:8480/": "http://10.0.0.1:8480",
		"lab.example": "", "ftp://lab": "", "https://lab/x": "", "https://u@lab": "", "https://lab?x": "", "://": ""} {
		got, err := publicAddress(given, "http", ":1")
		if got != want || (err == nil) != (want != "") {
			t.Errorf("%q: %q, %v", given, got, err)
		}
	}
}

// TestTokensOfTheHostAreNamedAsInTheBrowser: a name that passes for another, or for
// the server in the log, makes no token and no person on the host either.
func TestTokensOfTheHostAreNamedAsInTheBrowser(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", false)
	before, err := p.app.store.ListPersons(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"\u0410da", "Ada\u200d", "Ada\ufe0f", "the host", "the\u00a0host", "System", "timetable", "single sign-on", "x (y)", " "} {
		if out, err := lastLine(t, "token", "-data", p.dir, "-role", "owner", "-name", name); err == nil {
			t.Errorf("a token named %+q is made: %s", name, out)
		}
	}
	if after, err := p.app.store.ListPersons(t.Context()); err != nil || len(after) != len(before) {
		t.Errorf("persons were made: %+v, %v", after, err)
	}
	for _, args := range [][]string{{"-name", "nightly"}, {"-name", "weekly (UTC)", "-person", "nightly"}} {
		if token, err := lastLine(t, append([]string{"token", "-data", p.dir}, args...)...); err != nil || len(token) != 43 {
			t.Errorf("%q: %q, %v", args, token, err)
		}
	}
}

package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ohmkeep/store/storetest"
)

// TestExportAndImport: a file goes from the database of a server at work to that
// of another, once; a dry import only says what it would do; a damaged file and one
// of another program are refused, and nothing is left of them.
func TestExportAndImport(t *testing.T) {
	t.Parallel()
	from, to := storetest.Dir(t), storetest.Dir(t)
	startProgram(t, from, false)
	keepRun(t, from, "first")
	keepRun(t, from, "second")
	file := filepath.Join(storetest.Dir(t), "lab.tar.gz")
	out, err := said(t, "export", "-data", from, "-to", file, "-run", "second")
	if err != nil {
		t.Fatal(err)
	}
	wants(t, out, "1 runs with 1 results", "SHA-256")
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info, err)
	}
	if _, err := said(t, "export", "-data", from, "-to", file); err == nil || !strings.Contains(err.Error(), "exists already") {
		t.Errorf("%v", err)
	}
	if _, err := said(t, "export", "-data", from, "-to", file+"2", "-run", "none"); err == nil || !strings.Contains(err.Error(), "there is no run none") {
		t.Errorf("%v", err)
	}
	if names, _ := filepath.Glob(filepath.Join(filepath.Dir(file), "*")); len(names) != 1 {
		t.Errorf("%q", names)
	}

	p := startProgram(t, to, false)
	for _, c := range []struct {
		args []string
		says []string
	}{
		{[]string{"-dry"}, []string{"new: run second", "Nothing was written. It would be: 1 new"}},
		{nil, []string{"From http", "exported", "by the host: run second", "new: run second", "Imported: 1 new"}},
		{nil, []string{"there already: run second", "Nothing was to be imported"}},
	} {
		out, err := said(t, append([]string{"import", "-data", to, "-from", file}, c.args...)...)
		if err != nil {
			t.Fatal(err)
		}
		wants(t, out, c.says...)
	}
	rec, err := p.app.store.GetRun(t.Context(), "second")
	if err != nil || rec.Unit.Serial != "unit of second" || len(rec.Origins) != 1 || rec.Origins[0].Brought.After(time.Now()) {
		t.Errorf("%+v %v", rec, err)
	}
	if out, err := said(t, "check", "-data", to); err != nil {
		t.Errorf("%s %v", out, err)
	}

	body, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	half := filepath.Join(filepath.Dir(file), "half.tar.gz")
	for says, content := range map[string][]byte{"cut off": body[:len(body)/2], "no file of Ohmkeep": []byte("run;value")} {
		if err := os.WriteFile(half, content, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := said(t, "import", "-data", to, "-from", half); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v", err)
		}
	}
	if _, err := said(t, "import", "-data", to); err == nil || !strings.Contains(err.Error(), "-from FILE") {
		t.Errorf("%v", err)
	}
}

package procedure

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestFormat(t *testing.T) {
	p := whole()
	b, _ := p.Canonical()
	if !strings.HasPrefix(string(b), `{"format":1,`) {
		t.Errorf("%.40s", b)
	}
	old := strings.Replace(string(b), `"format":1,`, "", 1)
	q, err := ParseProcedure([]byte(old))
	if err != nil {
		t.Fatalf("a document without a format: %v", err)
	}
	if diff := cmp.Diff(p, q); diff != "" {
		t.Error(diff)
	}
	for text, says := range map[string]string{
		`{"format":2,"key":"a","tomorrow":{"x":1}}`: "format 2",
		`{"format":0,"key":"a"}`:                    "format 0",
		`{"format":"1","key":"a"}`:                  "format",
	} {
		if _, err := ParseProcedure([]byte(text)); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v", text, err)
		}
	}
}

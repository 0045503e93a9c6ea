package apidoc

import (
	"net/url"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var sampleParams = []Param{
	Query("limit", "How many.", Whole(1, 500)), Query("unit", "Serial.", Text(3)),
	Query("outcome", "Which.", Text(0, "pass", "fail")), Query("live", "Whether.", Flag()),
}

func TestCheckQuery(t *testing.T) {
	for query, want := range map[string][]string{
		"":                               nil,
		"limit=20&unit=abc&live=true":    nil,
		"limit=&outcome=":                nil, // as left out
		"limit=0":                        {"limit"},
		"limit=501":                      {"limit"},
		"limit=1.5":                      {"limit"},
		"limit=ten":                      {"limit"},
		"limit=NaN":                      {"limit"},
		"unit=abcd":                      {"unit"},
		"unit=%00":                       {"unit"},
		"outcome=lost":                   {"outcome"},
		"live=yes":                       {"live"},
		"limits=3":                       {"limits"},
		"limit=1&limit=2":                {"limit"},
		"live=0&colour=red&unit=toolong": {"colour", "live", "unit"},
	} {
		values, err := url.ParseQuery(query)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, p := range CheckQuery(values, sampleParams) {
			got = append(got, p.Field)
			if p.Message == "" {
				t.Errorf("%s: %s is at fault without a word", query, p.Field)
			}
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s: %s", query, diff)
		}
	}
}

// FuzzCheckQuery: whatever a query holds is checked without harm, and a whole
// number that passes is one within its bounds.
func FuzzCheckQuery(f *testing.F) {
	f.Add("limit=1&live=false")
	f.Add("limit=1e2&unit=%ff&outcome=pass&outcome=fail")
	f.Add(`limit="1"&limit=[]`)
	f.Fuzz(func(t *testing.T, query string) {
		values, err := url.ParseQuery(query)
		if err != nil {
			t.Skip()
		}
		if len(CheckQuery(values, sampleParams)) > 0 || values.Get("limit") == "" {
			return
		}
		var n int
		for _, c := range values.Get("limit") {
			if c < '0' || c > '9' {
				t.Fatalf("limit %q passes", values.Get("limit"))
			}
			n = 10*n + int(c-'0')
		}
		if n < 1 || n > 500 {
			t.Fatalf("limit %d passes", n)
		}
	})
}

package routes

import (
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"ohmkeep/server/problem"
)

func TestDecodeRequest(t *testing.T) {
	type sample struct {
		Name   string  `json:"name"`
		Number float64 `json:"number"`
	}
	const good = `{"name":"a","number":1}`
	for _, tc := range []struct {
		media, body string
		status      int
	}{
		{"application/json", good, 0},
		{"application/json; charset=utf-8", good, 0},
		{"", good, 415},
		{"text/plain", good, 415},
		{"application/x-www-form-urlencoded", "name=a", 415},
		{"application/json; charset=latin1", good, 415},
		{"application/json", `{"name":"` + strings.Repeat("a", maxBody) + `"}`, 413},
	} {
		r := httptest.NewRequest(http.MethodPost, "/", strings.NewReader(tc.body))
		r.Header.Set("Content-Type", tc.media)
		_, err := decode[sample](r)
		switch {
		case tc.status == 0 && err != nil, tc.status != 0 && err == nil:
			t.Errorf("%s: %v", tc.media, err)
		case err != nil && classify(err, nil).Status != tc.status:
			t.Errorf("%s: %v, want status %d", tc.media, err, tc.status)
		}
	}
}

// asProblem is the answer that an error gives, which must be one for whoever
// asked.
func asProblem(t testing.TB, err error) *Problem {
	t.Helper()
	if problem.Of(err) == nil {
		t.Fatalf("%v is no problem", err)
	}
	return classify(err, slog.New(slog.DiscardHandler))
}

package main

import (
	"cmp"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/store"
)

var (
	requests    = flag.Int("requests", 300, "how many random requests TestRandomRequests sends")
	requestSeed = flag.Uint64("request-seed", 0, "which requests; 0: others each time, to look for what is not found yet")
	requestLabs = flag.String("request-labs", "", "send only those of one lab, such as 17: to repeat what failed")
)

// requestsPerLab is the number of requests after which the lab is made anew:
// they take everything out of it.
const requestsPerLab = 500

// sent is a random request.
type sent struct {
	method, address, role string
	header                map[string]string
	body                  string
}

func (q *sent) String() string {
	body := q.body
	if len(body) > 3000 {
		body = body[:3000] + fmt.Sprintf("… (%d bytes)", len(q.body))
	}
	return fmt.Sprintf("%s %.3000s as %s, %v\n%s", q.method, q.address, cmp.Or(q.role, "nobody"), q.header, body)
}

// TestRandomRequests: whatever a client sends, the server answers as to a mistake
// of the client, or does it. Requests are drawn from the document of the API and
// from the forms of the pages: bodies pass the schema as a rule and are wrong in
// meaning, some are broken; by every role and by nobody; in a server with the
// demonstration in it. How long the slowest took is logged: a test cannot tell a
// slow answer from a busy machine.
func TestRandomRequests(t *testing.T) {
	t.Parallel()
	seed := *requestSeed
	if seed == 0 {
		seed = uint64(time.Now().UnixNano())
	}
	t.Logf("-request-seed %d", seed)
	n := *requests
	if testing.Short() {
		n = min(n, 100)
	}
	told := answersTold{by: map[int]int{}}
	for lab := 0; n > 0 && !t.Failed(); lab++ {
		count := min(n, requestsPerLab)
		n -= count
		if *requestLabs != "" && *requestLabs != fmt.Sprint(lab) {
			continue
		}
		sendRandom(t, rand.New(rand.NewPCG(seed, uint64(lab))), count, fmt.Sprintf("lab %d", lab), &told)
	}
	t.Logf("answers by status: %v; the slowest:\n%s", told.by, strings.Join(told.slowest(), "\n"))
}

// answersTold is what was answered.
type answersTold struct {
	by   map[int]int // by status
	slow []slowAnswer
}

type slowAnswer struct {
	took time.Duration
	of   string
}

func (a *answersTold) note(q *sent, status int, took time.Duration, where string) {
	a.by[status]++
	a.slow = append(a.slow, slowAnswer{took, fmt.Sprintf("%v %d: %s: %.1500s", took.Round(time.Millisecond), status, where, q)})
	slices.SortFunc(a.slow, func(x, y slowAnswer) int { return cmp.Compare(y.took, x.took) })
	a.slow = a.slow[:min(len(a.slow), 5)]
}

func (a *answersTold) slowest() (out []string) {
	for _, s := range a.slow {
		out = append(out, s.of)
	}
	return out
}

// askerOf are the askers of a lab: a token for each role.
type askerOf struct {
	p      *program
	made   int
	tokens map[string]string
}

var roleNames = []string{"owner", "owner", "owner", "owner", "operator", "operator", "operator", "viewer", ""}

// token is a role's token, made anew where it has been taken back.
func (a *askerOf) token(t *testing.T, role string, anew bool) string {
	if role == "" || a.tokens[role] != "" && !anew {
		return a.tokens[role]
	}
	a.made++
	as, err := store.ParseRole(role)
	if err == nil {
		a.tokens[role], _, err = a.p.app.store.MakeToken(t.Context(), store.TokenRequest{Role: as, Name: fmt.Sprint("Asker ", a.made), By: "the host"})
	}
	if err != nil {
		t.Fatal(err)
	}
	return a.tokens[role]
}

// sendRandom sends random requests to a lab of its own.
func sendRandom(t *testing.T, random *rand.Rand, count int, where string, told *answersTold) {
	p := startProgram(t, "", true)
	defer p.stop()
	who := &askerOf{p: p, tokens: map[string]string{}}
	c := &apiClient{t: t, base: p.base, token: who.token(t, "owner", false), http: http.DefaultClient}
	d := &drawer{Rand: random, known: map[string][]any{}}
	table := d.learn(c)
	for i := range count {
		q := d.request(table)
		if q.header["If-Match"] == latest {
			q.header["If-Match"] = revisionOf(c, q.address)
		}
		status, text, took := send(t, c, q, who)
		told.note(q, status, took, where)
		if status >= 500 {
			smaller := shrunk(q, func(x *sent) bool { status, _, _ := send(t, c, x, who); return status >= 500 })
			t.Errorf("%s, request %d: %d %s\n%s\nmade smaller:\n%s", where, i, status, text, q, smaller)
			return
		}
	}
}

// latest stands for the revision that the server has.
const latest = "the latest"

// revisionOf is the entity tag of what an address of the API answers.
func revisionOf(c *apiClient, address string) string {
	var now struct{ Latest int }
	path, _, _ := strings.Cut(strings.TrimPrefix(address, "/api/v1"), "?")
	if _, text, err := c.try("GET", path, nil); err != nil || json.Unmarshal(text, &now) != nil || now.Latest == 0 {
		return ""
	}
	return fmt.Sprintf("%q", fmt.Sprint(now.Latest))
}

// send sends a request. A token that was taken back is made anew once.
func send(t *testing.T, c *apiClient, q *sent, who *askerOf) (status int, text string, took time.Duration) {
	t.Helper()
	for again := range 2 {
		r, err := http.NewRequestWithContext(t.Context(), q.method, c.base+q.address, strings.NewReader(q.body))
		if err != nil {
			return 0, err.Error(), 0 // no address: never sent
		}
		for name, value := range q.header {
			if value != "" {
				r.Header.Set(name, value)
			}
		}
		if token := who.token(t, q.role, again > 0); token != "" {
			r.Header.Set("Authorization", "Bearer "+token)
		}
		begun := time.Now()
		resp, err := http.DefaultTransport.RoundTrip(r)
		if err != nil {
			t.Fatalf("%s: %v", q, err)
		}
		body, err := io.ReadAll(resp.Body)
		_ = resp.Body.Close() // it has been read
		took = time.Since(begun)
		if err != nil && resp.StatusCode < 300 && !strings.Contains(q.address, ".csv") {
			t.Errorf("%s: %d, and its body ends with %v", q, resp.StatusCode, err)
		}
		status, text = resp.StatusCode, string(body[:min(len(body), 500)])
		if status != http.StatusUnauthorized || q.role == "" {
			break
		}
	}
	return status, text, took
}

// shrunk makes a failing request smaller as long as it fails.
func shrunk(q *sent, fails func(*sent) bool) *sent {
	var body any
	dec := json.NewDecoder(strings.NewReader(q.body))
	dec.UseNumber()
	if dec.Decode(&body) != nil {
		return q
	}
	smallest := *q
	for tries, smaller := 0, true; smaller && tries < 400; {
		smaller = false
		for _, less := range lessOf(body) {
			text, err := json.Marshal(less)
			if err != nil {
				continue
			}
			tries++
			next := smallest
			next.body = string(text)
			if len(next.body) < len(smallest.body) && fails(&next) {
				smallest, body, smaller = next, less, true
				break
			}
		}
	}
	return &smallest
}

// lessOf lists a value with one of its parts taken out, or made simple.
func lessOf(v any) (out []any) {
	switch v := v.(type) {
	case map[string]any:
		for _, key := range slices.Sorted(maps.Keys(v)) {
			less := maps.Clone(v)
			delete(less, key)
			out = append(out, less)
			for _, x := range lessOf(v[key]) {
				less := maps.Clone(v)
				less[key] = x
				out = append(out, less)
			}
		}
	case []any:
		for i := range v {
			out = append(out, slices.Delete(slices.Clone(v), i, i+1))
			for _, x := range lessOf(v[i]) {
				less := slices.Clone(v)
				less[i] = x
				out = append(out, less)
			}
		}
	case string:
		if len(v) > 4 {
			out = append(out, v[:len(v)/2], v[len(v)/2:])
		}
	}
	return out
}

// request draws a request.
func (d *drawer) request(table []operation) *sent {
	op := one(d.Rand, table)
	for range 2 { // what carries something is drawn more often
		if op.body == nil && op.form == nil {
			op = one(d.Rand, table)
		}
	}
	q := &sent{method: op.method, address: d.address(op.path), role: one(d.Rand, roleNames), header: map[string]string{}}
	if op.form != nil {
		q.header["Content-Type"] = "application/x-www-form-urlencoded"
		q.body = d.formBody(op.form)
		return q
	}
	query := url.Values{}
	for _, p := range op.query {
		if d.often(0.5) {
			query.Set(p.name, fmt.Sprint(d.value(p.schema, p.name, 3)))
		}
	}
	if d.often(0.1) {
		query.Set(fmt.Sprint(one(d.Rand, append(slices.Clone(d.known["key"]), any("x")))), one(d.Rand, oddTexts))
	}
	if len(query) > 0 {
		q.address += "?" + query.Encode()
	}
	if op.method == "PUT" && d.often(0.8) {
		q.header["If-Match"] = one(d.Rand, []string{latest, latest, latest, latest, latest, `"1"`, `"2"`, `"0"`, `W/"1"`, `"99999999999"`, "x"})
	}
	if op.body != nil {
		q.header["Content-Type"] = "application/json"
		v := d.value(op.body, "", 0)
		if d.often(0.8) {
			d.agree(v, op.path, q.address)
		}
		text, err := json.Marshal(v)
		q.body = string(text)
		if err != nil || d.often(0.15) {
			q.body = d.broken(q.body)
		}
		if d.often(0.02) {
			q.header["Content-Type"] = one(d.Rand, []string{"", "text/plain", "application/json; charset=utf-16", "multipart/form-data"})
		}
	}
	return q
}

// agree has a body name what its address names, and a procedure together with the
// device that it is for: what disagrees is refused before anything else.
func (d *drawer) agree(v any, path, address string) {
	body, ok := v.(map[string]any)
	if !ok {
		return
	}
	address, _, _ = strings.Cut(address, "?")
	at := strings.Split(address, "/")
	for i, piece := range strings.Split(path, "/") {
		name := strings.Trim(piece, "{}")
		if name == "key" && strings.Contains(path, "/pinmaps/") {
			name = "device"
		}
		if _, has := body[name]; has && strings.HasPrefix(piece, "{") && i < len(at) {
			if text, err := url.PathUnescape(at[i]); err == nil {
				body[name] = text
			}
		}
	}
	if _, has := body["procedure"]; has && len(d.known["#Procedure"]) > 0 {
		if p, ok := one(d.Rand, d.known["#Procedure"]).(map[string]any); ok {
			body["procedure"], body["device"] = p["key"], p["device"]
		}
	}
}

// formBody fills a form in: as a rule as it is, with a field or two drawn anew.
func (d *drawer) formBody(fields url.Values) string {
	f := url.Values{}
	for _, name := range slices.Sorted(maps.Keys(fields)) {
		switch {
		case d.often(0.1):
		case d.often(0.15):
			f.Set(name, one(d.Rand, append([]string{one(d.Rand, oddNumbers), fmt.Sprint(one(d.Rand, append(slices.Clone(d.known[name]), any("1"))))}, oddTexts...)))
		case d.often(0.3):
			f[name] = fields[name]
		default:
			f.Set(name, one(d.Rand, fields[name]))
		}
	}
	if d.often(0.05) {
		return d.broken(f.Encode())
	}
	return f.Encode()
}

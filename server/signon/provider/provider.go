// Package provider is an OpenID Connect provider for tests: a general one, served
// on a real socket with keys of its own, whose answers a test can spoil on their
// way.
package provider

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/rsa"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"

	jose "github.com/go-jose/go-jose/v4"
	"github.com/zitadel/oidc/v3/example/server/storage"
	"github.com/zitadel/oidc/v3/pkg/oidc"
	"github.com/zitadel/oidc/v3/pkg/op"
)

// The client that the provider knows, and the password of all its users.
const (
	ClientID = "ohmkeep"
	Secret   = "the client's secret"
	Password = "a user's password"
)

// User is somebody with an account at the provider.
type User struct {
	ID, Username, First, Last, Email string
	Unverified                       bool // the e-mail address
	Groups                           []string
}

// Token is an ID token on its way to the client.
type Token struct {
	Header map[string]any
	Claims map[string]any
	Key    *rsa.PrivateKey // that signs it; nil: it is not signed, alg none
	Alg    jose.SignatureAlgorithm
}

// Server is a provider at work.
type Server struct {
	URL   string // the issuer
	http  *httptest.Server
	inner http.Handler
	store *storage.Storage
	back  []string

	mu      sync.Mutex
	users   map[string]*User
	keys    []*key // the last one signs
	spoil   func(*Token)
	instead map[string]http.HandlerFunc
	asked   map[string]int // requests by path
}

// Start starts a provider for one test. Its client is sent back to those addresses
// alone.
func Start(t testing.TB, back ...string) *Server {
	s := &Server{users: map[string]*User{}, instead: map[string]http.HandlerFunc{}, asked: map[string]int{}, back: append([]string{}, back...)}
	s.http = httptest.NewServer(http.HandlerFunc(s.serve))
	t.Cleanup(s.http.Close)
	s.URL = s.http.URL
	s.store = storage.NewStorageWithClients(accounts{s}, map[string]*storage.Client{ClientID: storage.WebClient(ClientID, Secret, s.back...)})
	s.keys = []*key{{"key 1", firstKey()}}
	made, err := op.NewProvider(&op.Config{CryptoKeyId: "test", CodeMethodS256: true}, &backing{s.store, s}, op.StaticIssuer(s.URL), op.WithAllowInsecure(), op.WithLogger(slog.New(slog.DiscardHandler)))
	if err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /login/username", loginPage)
	mux.Handle("POST /login/username", op.NewIssuerInterceptor(made.IssuerFromRequest).HandlerFunc(s.login(op.AuthCallbackURL(made))))
	mux.Handle("/", made)
	s.inner = mux
	return s
}

// SendBackTo has the client be sent back to that address in place of the first
// one, before anybody signs in.
func (s *Server) SendBackTo(address string) { s.back[0] = address }

// Add gives somebody an account, or changes it.
func (s *Server) Add(u User) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.users[u.ID] = &u
}

// firstKey is the key that all providers of a test binary begin with: to make one
// takes longer than most tests.
var firstKey = sync.OnceValue(newKey)

func newKey() *rsa.PrivateKey {
	made, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		panic(err)
	}
	return made
}

// Rotate has another key sign from now on; those before stay published.
func (s *Server) Rotate() {
	made := newKey()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.keys = append(s.keys, &key{fmt.Sprint("key ", len(s.keys)+1), made})
}

// Spoil has every ID token changed on its way; nil ends it.
func (s *Server) Spoil(change func(*Token)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.spoil = change
}

// Instead has another handler answer a path; nil ends it.
func (s *Server) Instead(path string, h http.HandlerFunc) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.instead[path] = h
}

// Asked is how often a path was asked for.
func (s *Server) Asked(path string) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.asked[path]
}

// Down takes the provider away; its address answers nobody.
func (s *Server) Down() {
	s.http.CloseClientConnections()
	s.http.Close()
}

func (s *Server) serve(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	instead, spoil := s.instead[r.URL.Path], s.spoil
	s.asked[r.URL.Path]++
	s.mu.Unlock()
	switch {
	case instead != nil:
		instead(w, r)
	case r.URL.Path == "/oauth/token" && spoil != nil:
		s.spoiled(w, r, spoil)
	default:
		s.inner.ServeHTTP(w, r)
	}
}

// spoiled answers with the provider's own answer, whose ID token is changed.
func (s *Server) spoiled(w http.ResponseWriter, r *http.Request, spoil func(*Token)) {
	own := httptest.NewRecorder()
	s.inner.ServeHTTP(own, r)
	answer := map[string]any{}
	if err := json.Unmarshal(own.Body.Bytes(), &answer); err == nil && own.Code == http.StatusOK {
		text, _ := answer["id_token"].(string)
		answer["id_token"] = s.changed(text, spoil)
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(own.Code)
	_ = json.NewEncoder(w).Encode(answer)
}

func (s *Server) changed(text string, spoil func(*Token)) string {
	parts := strings.Split(text, ".")
	s.mu.Lock()
	t := Token{Header: map[string]any{}, Claims: map[string]any{}, Key: s.keys[len(s.keys)-1].private, Alg: jose.RS256}
	s.mu.Unlock()
	for i, into := range []map[string]any{t.Header, t.Claims} {
		body, err := base64.RawURLEncoding.DecodeString(parts[i])
		if err == nil {
			d := json.NewDecoder(bytes.NewReader(body))
			d.UseNumber()
			err = d.Decode(&into)
		}
		if err != nil {
			panic(err)
		}
	}
	spoil(&t)
	claims, err := json.Marshal(t.Claims)
	if err != nil {
		panic(err)
	}
	if t.Key == nil {
		return base64.RawURLEncoding.EncodeToString([]byte(`{"alg":"none"}`)) + "." + base64.RawURLEncoding.EncodeToString(claims) + "."
	}
	signing := jose.SigningKey{Algorithm: t.Alg, Key: t.Key}
	if t.Alg == jose.HS256 { // the public key taken for a shared secret
		signing.Key = t.Key.N.Bytes()
	}
	signer, err := jose.NewSigner(signing, (&jose.SignerOptions{}).WithHeader("kid", t.Header["kid"]))
	if err != nil {
		panic(err)
	}
	signed, err := signer.Sign(claims)
	if err != nil {
		panic(err)
	}
	out, err := signed.CompactSerialize()
	if err != nil {
		panic(err)
	}
	return out
}

// loginPage is the provider's own page, on which a user signs in.
func loginPage(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = fmt.Fprintf(w, `<!doctype html><html lang="en"><title>Provider</title><link rel="icon" href="data:,"><form method="post" action="/login/username"><input type="hidden" name="id" value=%q><input id="username" name="username"><input id="password" name="password" type="password"><button id="login">Sign in</button></form></html>`, r.FormValue("authRequestID"))
}

func (s *Server) login(callback func(context.Context, string) string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		id := r.PostFormValue("id")
		if err := s.store.CheckUsernamePassword(r.PostFormValue("username"), r.PostFormValue("password"), id); err != nil {
			http.Error(w, err.Error(), http.StatusForbidden)
			return
		}
		http.Redirect(w, r, callback(r.Context(), id), http.StatusFound)
	}
}

// SignIn signs a user in at the address that a client sends the browser to, and
// returns the address that the provider then sends the browser back to.
func (s *Server) SignIn(t testing.TB, address, username string) *url.URL {
	t.Helper()
	browser := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	next := func(r *http.Response, err error) *url.URL {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		body, _ := io.ReadAll(r.Body)
		_ = r.Body.Close()
		to, err := r.Location()
		if err != nil {
			t.Fatalf("%s %s: %s %s", r.Request.Method, r.Request.URL, r.Status, body)
		}
		return to
	}
	at := next(browser.Get(address))
	if at.Host != strings.TrimPrefix(s.URL, "http://") {
		return at // refused, and sent back at once
	}
	at = next(browser.PostForm(s.URL+"/login/username", url.Values{"id": {at.Query().Get("authRequestID")}, "username": {username}, "password": {Password}}))
	return next(browser.Get(at.String()))
}

// key is one of the provider's keys.
type key struct {
	id      string
	private *rsa.PrivateKey
}

func (k *key) ID() string                                  { return k.id }
func (k *key) SignatureAlgorithm() jose.SignatureAlgorithm { return jose.RS256 }
func (k *key) Key() any                                    { return k.private }

// published is a key as its provider publishes it.
type published struct{ *key }

func (p published) Algorithm() jose.SignatureAlgorithm { return jose.RS256 }
func (p published) Use() string                        { return "sig" }
func (p published) Key() any                           { return &p.private.PublicKey }

// backing is what the provider keeps, with keys that rotate and groups.
type backing struct {
	*storage.Storage
	s *Server
}

func (b *backing) SigningKey(context.Context) (op.SigningKey, error) {
	b.s.mu.Lock()
	defer b.s.mu.Unlock()
	return b.s.keys[len(b.s.keys)-1], nil
}

func (b *backing) KeySet(context.Context) (out []op.Key, err error) {
	b.s.mu.Lock()
	defer b.s.mu.Unlock()
	for _, k := range b.s.keys {
		out = append(out, published{k})
	}
	return out, nil
}

func (b *backing) SetUserinfoFromToken(ctx context.Context, info *oidc.UserInfo, token, subject, origin string) error {
	err := b.Storage.SetUserinfoFromToken(ctx, info, token, subject, origin)
	b.s.mu.Lock()
	defer b.s.mu.Unlock()
	if u := b.s.users[subject]; u != nil && u.Groups != nil {
		info.AppendClaims("groups", u.Groups)
	}
	return err
}

// accounts are the provider's users as its storage asks for them.
type accounts struct{ s *Server }

func (a accounts) ExampleClientID() string { return storage.ServiceUserID }

func (a accounts) GetUserByID(id string) *storage.User {
	a.s.mu.Lock()
	defer a.s.mu.Unlock()
	return account(a.s.users[id])
}

func (a accounts) GetUserByUsername(name string) *storage.User {
	a.s.mu.Lock()
	defer a.s.mu.Unlock()
	for _, u := range a.s.users {
		if u.Username == name {
			return account(u)
		}
	}
	return nil
}

func account(u *User) *storage.User {
	if u == nil {
		return nil
	}
	return &storage.User{ID: u.ID, Username: u.Username, Password: Password, FirstName: u.First, LastName: u.Last, Email: u.Email, EmailVerified: !u.Unverified}
}

package signon

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"ohmkeep/server/problem"
)

// found is a provider as its discovery document describes it, with its keys.
type found struct {
	provider *oidc.Provider
	verifier *oidc.IDTokenVerifier // keeps the keys; asks again for one that it does not know
	oauth    oauth2.Config
	document []byte
	// says whether the provider names itself in its answers (RFC 9207).
	namesItself bool
}

// Bounds of what a provider may answer.
const (
	answerMost  = 1 << 20  // bytes of a body
	headersMost = 64 << 10 // bytes
)

var errTooLong = errors.New("its answer is longer than a megabyte")

// newClient makes the HTTP client that asks the provider. It waits for no answer
// without end, reads none without end, and follows none elsewhere: a secret must
// go to the addresses of the discovery document alone.
func newClient(patience time.Duration) *http.Client {
	return &http.Client{
		Timeout: patience,
		Transport: bounded{&http.Transport{
			Proxy: http.ProxyFromEnvironment, DialContext: (&net.Dialer{Timeout: patience}).DialContext, ForceAttemptHTTP2: true,
			TLSHandshakeTimeout: patience, ResponseHeaderTimeout: patience, MaxResponseHeaderBytes: headersMost,
			MaxIdleConns: 4, MaxConnsPerHost: 2 * atOnce, IdleConnTimeout: time.Minute,
		}},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// bounded ends answers that are too long.
type bounded struct{ *http.Transport }

func (b bounded) RoundTrip(r *http.Request) (*http.Response, error) {
	answer, err := b.Transport.RoundTrip(r)
	if err == nil {
		answer.Body = &boundedBody{ReadCloser: answer.Body, left: answerMost}
	}
	return answer, err
}

type boundedBody struct {
	io.ReadCloser
	left int64
}

func (b *boundedBody) Read(buf []byte) (int, error) {
	if b.left <= 0 {
		return 0, errTooLong
	}
	n, err := b.ReadCloser.Read(buf[:min(int64(len(buf)), b.left)])
	b.left -= int64(n)
	return n, err
}

// Look asks the provider for its discovery document, and keeps what it says. The
// one before stays in use where it cannot be had.
func (p *Provider) Look(ctx context.Context) error {
	p.look.Lock()
	defer p.look.Unlock()
	return p.lookNow(ctx)
}

// lookNow is Look for who holds the lock.
func (p *Provider) lookNow(ctx context.Context) error {
	f, err := p.discover(ctx)
	if err != nil && ctx.Err() != nil {
		return err // whoever asked has gone: it says nothing of the provider
	}
	p.mu.Lock()
	if err == nil && (p.found == nil || !bytes.Equal(p.found.document, f.document)) {
		p.found = f
	}
	p.looked = p.Now()
	p.mu.Unlock()
	p.note(err)
	return err
}

// note keeps whether the provider answers, and logs where that has changed.
func (p *Provider) note(err error) {
	words := ""
	if err != nil {
		words = wordsOf(err)
	}
	p.mu.Lock()
	before := p.trouble
	p.trouble = words
	p.mu.Unlock()
	switch {
	case words != "" && before == "":
		p.Log.Warn("single sign-on does not work", "issuer", p.Issuer, "why", words)
	case words == "" && before != "":
		p.Log.Info("single sign-on works again", "issuer", p.Issuer)
	}
}

func (p *Provider) discover(ctx context.Context) (*found, error) {
	provider, err := oidc.NewProvider(oidc.ClientContext(ctx, p.client), p.Issuer)
	if err != nil {
		return nil, err
	}
	var said struct {
		JWKS        string   `json:"jwks_uri"`
		Auth        string   `json:"authorization_endpoint"`
		Token       string   `json:"token_endpoint"`
		UserInfo    string   `json:"userinfo_endpoint"`
		Methods     []string `json:"token_endpoint_auth_methods_supported"`
		NamesItself bool     `json:"authorization_response_iss_parameter_supported"`
	}
	if err := provider.Claims(&said); err != nil {
		return nil, err
	}
	for what, address := range map[string]string{"authorization_endpoint": said.Auth, "token_endpoint": said.Token, "jwks_uri": said.JWKS, "userinfo_endpoint": said.UserInfo} {
		if address == "" && what == "userinfo_endpoint" {
			continue
		}
		if err := checkIssuer(address); err != nil && !hasQuery(address) {
			return nil, fmt.Errorf("its %s cannot be used: %w", what, err)
		}
	}
	f := &found{provider: provider, namesItself: said.NamesItself,
		verifier: provider.Verifier(&oidc.Config{ClientID: p.ClientID, Now: p.Now}),
		oauth:    oauth2.Config{ClientID: p.ClientID, ClientSecret: p.Secret, Endpoint: provider.Endpoint(), Scopes: append([]string{oidc.ScopeOpenID}, p.Scopes...)}}
	f.oauth.Endpoint.AuthStyle = authStyle(p.Secret, said.Methods)
	err = provider.Claims((*raw)(&f.document))
	return f, err
}

// hasQuery reports whether an address is good but for a query, which endpoints may
// have and an issuer may not.
func hasQuery(address string) bool {
	u, err := url.Parse(address)
	if err != nil || u.RawQuery == "" {
		return false
	}
	u.RawQuery = ""
	return checkIssuer(u.String()) == nil
}

// raw takes a JSON document as it is.
type raw []byte

// UnmarshalJSON keeps the document.
func (r *raw) UnmarshalJSON(data []byte) error {
	*r = bytes.Clone(data)
	return nil
}

// authStyle is how a client shows its secret: as RFC 6749 prefers, unless the
// provider says that it takes only the other way. To try both would use a code up.
func authStyle(secret string, methods []string) oauth2.AuthStyle {
	post, basic := false, len(methods) == 0
	for _, m := range methods {
		post, basic = post || m == "client_secret_post", basic || m == "client_secret_basic"
	}
	if secret == "" || post && !basic {
		return oauth2.AuthStyleInParams
	}
	return oauth2.AuthStyleInHeader
}

// reach returns the provider as it was found, by a look that is not older than
// fresh; 0 takes any. Where it does not answer, nobody asks it again for some
// seconds.
func (p *Provider) reach(ctx context.Context, fresh time.Duration) (*found, error) {
	if f := p.known(fresh); f != nil {
		return f, nil
	}
	p.look.Lock()
	defer p.look.Unlock()
	if f := p.known(fresh); f != nil {
		return f, nil // somebody else has looked meanwhile
	}
	p.mu.Lock()
	tried := p.trouble != "" && p.Now().Sub(p.looked) < lookLatest
	p.mu.Unlock()
	if !tried {
		if err := p.lookNow(ctx); err == nil {
			return p.known(0), nil
		}
	}
	return nil, p.down()
}

// down is the refusal of a sign-in while the provider does not answer.
func (p *Provider) down() error {
	return problem.New(problem.Unavailable, fmt.Sprintf("%s does not work at present: %s. Try again later, or sign in by a link of an owner's.", upper(p.Name), orElse(p.Trouble(), "it does not answer")))
}

// known is the provider as it was found, where that is fresh enough; else nil.
func (p *Provider) known(fresh time.Duration) *found {
	p.mu.Lock()
	defer p.mu.Unlock()
	if fresh > 0 && (p.trouble != "" || p.Now().Sub(p.looked) > fresh) {
		return nil
	}
	return p.found
}

// wordsMost is the number of characters that are said of an error.
const wordsMost = 200

// wordsOf says an error of the provider in words for a person, without what it
// answered: that may be a page, or a secret.
func wordsOf(err error) string {
	var mismatch *oidc.IssuerMismatchError
	var refused *oauth2.RetrieveError
	var asked *url.Error
	var timeout net.Error
	switch {
	case errors.As(err, &mismatch):
		return "the provider calls itself " + cut(mismatch.Discovered) + ", and not as it is set here"
	case errors.As(err, &refused):
		if refused.ErrorCode != "" {
			return "the provider refused: " + cut(refused.ErrorCode)
		}
		return "the provider answered " + cut(refused.Response.Status)
	case errors.Is(err, errNoKeys):
		return "the keys of the provider cannot be had"
	case errors.Is(err, errTooLong):
		return "the provider’s answer is longer than a megabyte"
	case errors.As(err, &timeout) && timeout.Timeout():
		return "the provider does not answer in time"
	case errors.As(err, &asked):
		return "the provider cannot be reached: " + cut(asked.Err.Error())
	}
	text, _, _ := strings.Cut(err.Error(), ": ")
	if status, _, _ := strings.Cut(text, " "); len(status) == 3 && strings.Trim(status, "0123456789") == "" { // the library says it in words alone
		return "the provider answered " + status
	}
	return "the provider’s answer makes no sense (" + cut(text) + ")"
}

// cut is a text of the provider's that is short and has nothing in it that cannot
// be seen.
func cut(text string) string {
	text = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r > 0x7e {
			return '?'
		}
		return r
	}, text)
	return text[:min(len(text), wordsMost)]
}

func orElse(text, other string) string {
	if text == "" {
		return other
	}
	return text
}

// upper is a sentence with its first letter as a capital.
func upper(text string) string {
	if text == "" {
		return text
	}
	first := []rune(text)
	return strings.ToUpper(string(first[:1])) + string(first[1:])
}

package signon

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"errors"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"ohmkeep/server/problem"
)

// FlowAge is how long somebody may take to sign in at the provider.
const FlowAge = 10 * time.Minute

const flowPurpose = "sign-in"

// flow is a sign-in that has begun: what its end is held against.
type flow struct {
	State    string
	Nonce    string
	Verifier string // of PKCE
	To       string
	For      string
}

// Started is a sign-in that has begun.
type Started struct {
	Address string // of the provider, where the browser goes
	Keep    string // what the browser keeps until it comes back, for FlowAge
}

// Begin begins a sign-in. Back is the address on this server that the provider
// sends the browser to, to is what Finish returns as its end, and so is whom: the
// browser's session that the sign-in is to be bound to, or "".
func (p *Provider) Begin(ctx context.Context, back, to, whom string) (Started, error) {
	at, err := p.reach(ctx, freshForStart)
	if err != nil {
		return Started{}, err
	}
	f := flow{State: rand.Text(), Nonce: rand.Text(), Verifier: oauth2.GenerateVerifier(), To: to, For: whom}
	keep, err := p.Seal(flowPurpose, f, FlowAge)
	if err != nil {
		return Started{}, err
	}
	client := at.oauth
	client.RedirectURL = back
	return Started{client.AuthCodeURL(f.State, oidc.Nonce(f.Nonce), oauth2.S256ChallengeOption(f.Verifier)), keep}, nil
}

// Finished is a sign-in that has ended well.
type Finished struct {
	Identity
	To  string
	For string
}

// Finish ends a sign-in: keep is what the browser has kept, answer what the
// provider sent it back with. Whoever it was is Denied where the answer does not
// belong to that beginning, is not the provider's, or the lab's rules do not let
// them in; a provider that does not answer is Unavailable.
func (p *Provider) Finish(ctx context.Context, back, keep string, answer url.Values) (Finished, error) {
	var f flow
	if keep == "" || p.Unseal(flowPurpose, keep, &f) != nil {
		return Finished{}, p.denied("this sign-in was not begun in this browser, or too long ago: begin again")
	}
	if !same(answer.Get("state"), f.State) {
		return Finished{}, p.denied("this sign-in was not begun in this browser: begin again")
	}
	at, err := p.reach(ctx, 0)
	if err != nil {
		return Finished{}, err
	}
	if issuer := answer.Get("iss"); issuer != p.Issuer && (issuer != "" || at.namesItself) {
		return Finished{}, p.denied("the answer is another provider’s")
	}
	if code := answer.Get("error"); code != "" {
		return Finished{}, p.denied("the provider has not let you in (" + cut(code) + ")")
	}
	if answer.Get("code") == "" {
		return Finished{}, p.denied("the provider’s answer holds no code")
	}
	end, err := p.Once(f.State)
	if err != nil {
		return Finished{}, err
	}
	who, err := p.identify(ctx, at, back, answer.Get("code"), &f)
	end(err == nil)
	return Finished{Identity: who, To: f.To, For: f.For}, err
}

// Once begins the end of a sign-in, or of a step of it, which may be done one time. End is told
// whether it went well: from then on it is remembered for as long as a browser
// could come with it again.
func (p *Provider) Once(state string) (end func(well bool), err error) {
	select {
	case p.turns <- struct{}{}:
	default:
		return nil, problem.New(problem.Unavailable, "Many people are signing in just now: try again in a moment.")
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.Now()
	for s, until := range p.used {
		if now.After(until) {
			delete(p.used, s)
		}
	}
	if _, used := p.used[state]; used {
		<-p.turns
		return nil, p.denied("this sign-in was used already: begin again")
	}
	p.used[state] = now.Add(2 * FlowAge)
	return func(well bool) {
		<-p.turns
		if well {
			return
		}
		p.mu.Lock()
		defer p.mu.Unlock()
		delete(p.used, state)
	}, nil
}

// identify exchanges the code for a token, and reads from it who it was.
func (p *Provider) identify(ctx context.Context, at *found, back, code string, f *flow) (Identity, error) {
	ctx, cancel := context.WithTimeout(oidc.ClientContext(ctx, p.client), 2*p.Patience)
	defer cancel()
	client := at.oauth
	client.RedirectURL = back
	token, err := client.Exchange(ctx, code, oauth2.VerifierOption(f.Verifier))
	if err != nil {
		return Identity{}, p.failed(ctx, err)
	}
	text, _ := token.Extra("id_token").(string)
	if text == "" {
		return Identity{}, p.denied("the provider does not say who you are (no ID token)")
	}
	id, err := at.verifier.Verify(ctx, text)
	if err != nil && strings.Contains(err.Error(), "fetching keys") { // the library says it in words alone
		return Identity{}, p.failed(ctx, errNoKeys)
	}
	if err != nil {
		return Identity{}, p.unverified(err)
	}
	claims := claims{}
	if err := id.Claims(&claims); err != nil {
		return Identity{}, p.unverified(err)
	}
	switch by, _ := claims["azp"].(string); {
	case !same(id.Nonce, f.Nonce):
		return Identity{}, p.denied("the provider’s statement belongs to another sign-in (nonce)")
	case len(id.Audience) > 1 && by != p.ClientID, by != "" && by != p.ClientID:
		return Identity{}, p.denied("the provider’s statement is meant for another program (authorised party)")
	case id.AccessTokenHash != "" && id.VerifyAccessToken(token.AccessToken) != nil:
		return Identity{}, p.denied("the provider’s statement belongs to another access token")
	case id.Subject == "" || len(id.Subject) > subjectMost:
		return Identity{}, p.denied("the provider’s statement names nobody")
	}
	if p.wants(claims) && at.provider.UserInfoEndpoint() != "" {
		if err := p.addUserInfo(ctx, at, token, id.Subject, claims); err != nil {
			return Identity{}, err
		}
	}
	p.note(nil)
	return p.admit(id.Subject, claims)
}

// errNoKeys is the error of a provider whose keys cannot be had.
var errNoKeys = errors.New("no keys")

// subjectMost is the longest subject that a provider may give a person
// (OpenID Connect Core 1.0, 2).
const subjectMost = 255

// addUserInfo asks the provider what the ID token leaves out. What is signed
// counts before it.
func (p *Provider) addUserInfo(ctx context.Context, at *found, token *oauth2.Token, subject string, claims claims) error {
	info, err := at.provider.UserInfo(ctx, oauth2.StaticTokenSource(token))
	if err != nil {
		return p.failed(ctx, err)
	}
	if info.Subject != subject { // OpenID Connect Core 1.0, 5.3.2
		return p.denied("the provider says two different things of who you are")
	}
	more := map[string]any{}
	if err := info.Claims(&more); err != nil {
		return p.failed(ctx, err)
	}
	for name, value := range more {
		if _, signed := claims[name]; !signed {
			claims[name] = value
		}
	}
	return nil
}

// failed is the refusal where the provider's answer is missing or makes no sense.
// A code that it does not take is no fault of its.
func (p *Provider) failed(ctx context.Context, err error) error {
	var refused *oauth2.RetrieveError
	if errors.As(err, &refused) && slices.Contains([]string{"invalid_grant", "invalid_request"}, refused.ErrorCode) {
		return p.denied("the provider does not take this sign-in (" + refused.ErrorCode + "): begin again")
	}
	if !errors.Is(ctx.Err(), context.Canceled) { // whoever asked has not just gone away
		p.note(err)
	}
	return p.down()
}

// unverified is the refusal of an ID token that is not good.
func (p *Provider) unverified(err error) error {
	p.Log.Warn("an ID token of the single sign-on was refused", "issuer", p.Issuer, "why", cut(err.Error()))
	return p.denied("the provider’s statement of who you are cannot be believed: it is not signed by the provider, not meant for this server, or out of date")
}

// denied is the refusal of somebody who signs in.
func (p *Provider) denied(why string) error {
	return problem.New(problem.Denied, upper(why)+".")
}

func same(a, b string) bool {
	return a != "" && subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1
}

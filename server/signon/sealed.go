package signon

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"errors"
	"time"
)

// What a sign-in needs from its beginning to its end is kept by the browser,
// sealed with a key of this process: a server that kept it would have to bound
// what strangers may begin, and strangers could then push others out.

// errSeal is the error of a text that this process has not sealed for that
// purpose, or not lately.
var errSeal = errors.New("signon: not sealed here, or too old")

// newSeal makes a key. A restart makes another: who is in the middle of signing in
// begins again.
func newSeal() cipher.AEAD {
	key := make([]byte, 32)
	_, _ = rand.Read(key) // never fails
	block, err := aes.NewCipher(key)
	if err != nil {
		panic(err) // of the length of a key alone
	}
	seal, err := cipher.NewGCMWithRandomNonce(block)
	if err != nil {
		panic(err)
	}
	return seal
}

// sealed is a text for a browser to keep.
type sealed struct {
	Until time.Time       `json:"u"`
	What  json.RawMessage `json:"w"`
}

// Seal makes a text of a value that only this process can read, for one purpose
// and for so long.
func (p *Provider) Seal(purpose string, value any, age time.Duration) (string, error) {
	what, err := json.Marshal(value)
	if err != nil {
		return "", err
	}
	body, err := json.Marshal(sealed{p.Now().Add(age), what})
	if err != nil {
		return "", err
	}
	return base64.RawURLEncoding.EncodeToString(p.seal.Seal(nil, nil, body, []byte(purpose))), nil
}

// Unseal reads a text that Seal has made for that purpose.
func (p *Provider) Unseal(purpose, text string, value any) error {
	closed, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil {
		return errSeal
	}
	body, err := p.seal.Open(nil, nil, closed, []byte(purpose))
	if err != nil {
		return errSeal
	}
	var s sealed
	if err := json.Unmarshal(body, &s); err != nil {
		return err
	}
	if !p.Now().Before(s.Until) {
		return errSeal
	}
	return json.Unmarshal(s.What, value)
}

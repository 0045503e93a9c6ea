package store

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"slices"
)

// Role is a level of rights. Each includes those below it.
type Role uint8

const (
	Nobody   Role = iota
	Viewer        // look and export
	Operator      // run and edit
	Owner         // delete, give access
)

var roleNames = []string{"", "viewer", "operator", "owner"}

func (r Role) String() string {
	if int(r) < len(roleNames) {
		return roleNames[r]
	}
	return fmt.Sprintf("role %d", uint8(r))
}

// ParseRole reads viewer, operator or owner; anything else is Invalid.
func ParseRole(name string) (Role, error) {
	if i := slices.Index(roleNames, name); i > 0 {
		return Role(i), nil
	}
	return Nobody, errorf(Invalid, "%q is not a role: viewer, operator or owner", name)
}

// MarshalText writes the role's name.
func (r Role) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText reads a role's name.
func (r *Role) UnmarshalText(text []byte) (err error) {
	*r, err = ParseRole(string(text))
	return err
}

// newSecret returns 256 random bits as text for an address or a header, and
// the hash that is kept of it.
func newSecret() (secret string, hash []byte) {
	var b [32]byte
	rand.Read(b[:]) // never fails, by its documentation
	secret = base64.RawURLEncoding.EncodeToString(b[:])
	return secret, hashOf(secret)
}

// hashOf is the SHA-256 of a secret's text. The secret is random and long, so
// that no salt or slow hash is needed.
func hashOf(secret string) []byte {
	h := sha256.Sum256([]byte(secret))
	return h[:]
}

package bench

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
)

// Built is a sum over what a bench is built of: contacts, channels with their
// ranges, and paths. Two definitions with the same sum are one bench to a check of
// it, whatever they are called and however their cards are reached.
func (d *Definition) Built() string {
	body, err := json.Marshal(struct {
		Contacts int
		Channels []Channel
		Paths    []Path
	}{d.Contacts, d.Channels, d.Paths})
	if err != nil {
		return "" // a value that is not a number: no such definition is stored
	}
	sum := sha256.Sum256(body)
	return hex.EncodeToString(sum[:8])
}

package lab

import (
	"context"
	"strconv"
	"time"

	"ohmkeep/server/problem"
)

// ShareLink is a read-only link to a run. Path is there only when it is made:
// what is kept cannot give it back.
type ShareLink struct {
	ID      int64     `json:"id"`
	Path    string    `json:"path,omitempty"`
	By      string    `json:"by"`
	Created time.Time `json:"created"`
	Expires time.Time `json:"expires,omitzero"`
	Revoked time.Time `json:"revoked,omitzero"`
}

// MaxShare is the longest that a share link can be made for.
const MaxShare = 10 * 365 * 24 * time.Hour

// Share makes a link to a run; expires 0 is never.
func (l *Lab) Share(ctx context.Context, who Person, id string, expires time.Duration) (ShareLink, error) {
	if expires < 0 || expires > MaxShare {
		return ShareLink{}, problem.Field("days", "a link lasts from now to ten years, or for ever when this is left empty")
	}
	link := ShareLink{By: who.Name, Created: l.Now()}
	if expires > 0 {
		link.Expires = link.Created.Add(expires)
	}
	secret, number, err := l.Store.NewShare(ctx, id, who.Name, link.Expires)
	if err != nil {
		return ShareLink{}, err
	}
	link.ID, link.Path = number, "/s/"+secret
	l.Note(ctx, who, "share run", id, "")
	return link, nil
}

// ShareSeen remembers the address of a link until the server stops: what is
// stored cannot give it back.
func (l *Lab) ShareSeen(id int64, address string) { l.shareAddresses.Store(id, address) }

// SharedAt is the address of a link that was made since the start, or "".
func (l *Lab) SharedAt(id int64) string {
	address, _ := l.shareAddresses.Load(id)
	text, _ := address.(string)
	return text
}

// Shares lists a run's share links, newest first.
func (l *Lab) Shares(ctx context.Context, id string) ([]ShareLink, error) {
	if _, err := l.Store.GetRun(ctx, id); err != nil {
		return nil, err
	}
	all, err := l.Store.ListShares(ctx, id)
	if err != nil {
		return nil, err
	}
	out := make([]ShareLink, 0, len(all))
	for _, x := range all {
		out = append(out, ShareLink{ID: x.ID, By: x.By, Created: x.Created, Expires: x.Expires, Revoked: x.Revoked})
	}
	return out, nil
}

// RevokeShare makes a link of this run void.
func (l *Lab) RevokeShare(ctx context.Context, who Person, id string, share int64) error {
	all, err := l.Store.ListShares(ctx, id)
	if err != nil {
		return err
	}
	for _, x := range all {
		if x.ID != share {
			continue
		}
		if !x.Revoked.IsZero() {
			return nil // twice is fine
		}
		if err := l.Store.RevokeShare(ctx, share); err != nil {
			return err
		}
		l.Note(ctx, who, "revoke share", id, strconv.FormatInt(share, 10))
		return nil
	}
	return problem.New(problem.NotFound, "this run has no such share link")
}

package lab

import (
	"context"
	"time"

	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// ShareLink is a read-only link to one page. Path is there only when it is
// made: what is kept cannot give it back.
type ShareLink struct {
	ID      int64     `json:"id"`
	Kind    string    `json:"kind" doc:"what it shows: run, lot, comparison or device"`
	Subject string    `json:"subject" doc:"the run’s id, the lot’s name or the device’s key"`
	Result  string    `json:"result,omitempty" doc:"that a comparison is by"`
	Path    string    `json:"path,omitempty"`
	By      string    `json:"by"`
	Created time.Time `json:"created"`
	Expires time.Time `json:"expires,omitzero"`
	Used    time.Time `json:"used,omitzero" doc:"when it was last opened, to a minute"`
	Revoked time.Time `json:"revoked,omitzero"`
}

// MaxShare is the longest that a share link can be made for.
const MaxShare = store.MaxAge

// ShareRequest is what a share link is to show, and for how long; Expires 0 is
// for ever.
type ShareRequest struct {
	Kind, Subject, Result string
	Expires               time.Duration
}

// Share makes a share link.
func (l *Lab) Share(ctx context.Context, who Person, q ShareRequest) (ShareLink, error) {
	if q.Expires < 0 || q.Expires > MaxShare {
		return ShareLink{}, problem.Field("days", "a link lasts from now to ten years, or for ever when this is left empty")
	}
	if q.Kind == store.ComparisonShare && q.Result == "" {
		return ShareLink{}, problem.Field("result", "say which result is compared")
	}
	link := ShareLink{Kind: q.Kind, Subject: q.Subject, Result: q.Result, By: who.Name, Created: l.Now()}
	if q.Expires > 0 {
		link.Expires = link.Created.Add(q.Expires)
	}
	secret, number, err := l.Store.MakeShare(ctx, &store.Share{Kind: q.Kind, Subject: q.Subject, Detail: q.Result, By: who.Name, Expires: link.Expires})
	if err != nil {
		return ShareLink{}, err
	}
	link.ID, link.Path = number, "/s/"+secret
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
	return l.SharesOf(ctx, store.RunShare, id)
}

// SharesOf lists the share links of one subject, newest first; all where kind
// is "".
func (l *Lab) SharesOf(ctx context.Context, kind, subject string) ([]ShareLink, error) {
	all, err := l.Store.ListShares(ctx, kind, subject)
	if err != nil {
		return nil, err
	}
	out := make([]ShareLink, 0, len(all))
	for _, x := range all {
		out = append(out, ShareLink{ID: x.ID, Kind: x.Kind, Subject: x.Subject, Result: x.Detail, By: x.By, Created: x.Created,
			Expires: x.Expires, Used: x.Used, Revoked: x.Revoked})
	}
	return out, nil
}

// RevokeShare makes a link of this run void.
func (l *Lab) RevokeShare(ctx context.Context, who Person, id string, share int64) error {
	all, err := l.Store.ListShares(ctx, store.RunShare, id)
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
		return l.Store.RevokeShare(ctx, share, who.Name)
	}
	return problem.New(problem.NotFound, "this run has no such share link")
}

package lab

import (
	"strings"
	"sync"
	"testing"
	"time"

	"ohmkeep/server/problem"
	"ohmkeep/store"
)

func containsText(text, part string) bool { return strings.Contains(text, part) }

// ended is a run that has been carried out.
func (r *rig) ended(t testing.TB) string {
	t.Helper()
	id, err := r.Start(t.Context(), r.b, ada, starting())
	must(t, err)
	r.wait(t)
	return id
}

// TestSharesOfOneRunAtOnce: people who share one run at the same moment each get
// the id of their own link, so that nobody revokes another's.
func TestSharesOfOneRunAtOnce(t *testing.T) {
	r := newRig(t)
	id := r.ended(t)
	var mu sync.Mutex
	var links []ShareLink
	var people sync.WaitGroup
	for range 8 {
		people.Go(func() {
			for range 12 {
				link, err := r.Share(t.Context(), ada, ShareRequest{Kind: store.RunShare, Subject: id})
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				links = append(links, link)
				mu.Unlock()
			}
		})
	}
	people.Wait()
	seen := map[int64]bool{}
	for _, link := range links {
		if link.ID == 0 || seen[link.ID] {
			t.Fatalf("link %d was given to two people", link.ID)
		}
		seen[link.ID] = true
		must(t, r.RevokeShare(t.Context(), ada, id, link.ID))
		if _, err := r.Store.Shared(t.Context(), strings.TrimPrefix(link.Path, "/s/")); problem.CodeOf(err) != problem.Denied {
			t.Fatalf("link %d was revoked and still opens the run: %v", link.ID, err)
		}
	}
}

func TestShares(t *testing.T) {
	r := newRig(t)
	id, other := r.ended(t), r.ended(t)
	for _, wrong := range []time.Duration{-1, MaxShare + 1} {
		_, err := r.Share(t.Context(), ada, ShareRequest{Kind: store.RunShare, Subject: id, Expires: wrong})
		refused(t, err, problem.Invalid, "ten years")
	}
	_, err := r.Share(t.Context(), ada, ShareRequest{Kind: store.RunShare, Subject: "no run"})
	refused(t, err, problem.NotFound, "")
	forEver, err := r.Share(t.Context(), ada, ShareRequest{Kind: store.RunShare, Subject: id})
	must(t, err)
	hour, err := r.Share(t.Context(), boole, ShareRequest{Kind: store.RunShare, Subject: id, Expires: time.Hour})
	must(t, err)
	if !forEver.Expires.IsZero() || hour.Expires.Sub(hour.Created) != time.Hour || hour.By != "Boole" {
		t.Errorf("%+v, %+v", forEver, hour)
	}
	list, err := r.Shares(t.Context(), id)
	must(t, err)
	if len(list) != 2 || list[0].ID != hour.ID || list[1].ID != forEver.ID || list[0].Path != "" {
		t.Errorf("listed %+v", list)
	}
	_, err = r.Shares(t.Context(), "no run")
	refused(t, err, problem.NotFound, "")

	refused(t, r.RevokeShare(t.Context(), ada, other, hour.ID), problem.NotFound, "no such share")
	must(t, r.RevokeShare(t.Context(), ada, id, hour.ID))
	must(t, r.RevokeShare(t.Context(), ada, id, hour.ID)) // twice is fine
	if list, err := r.Shares(t.Context(), id); err != nil || list[0].Revoked.IsZero() || !list[1].Revoked.IsZero() {
		t.Errorf("after it was revoked: %+v, %v", list, err)
	}
	if events := r.events(t, id); len(events) != 4 || events[0].Action != "revoke share" || events[1].Action != "share run" || events[1].By != "Boole" {
		t.Errorf("the log says %+v", events)
	}
	r.ShareSeen(hour.ID, "http://host/s/x")
	if r.SharedAt(hour.ID) != "http://host/s/x" || r.SharedAt(forEver.ID) != "" {
		t.Errorf("seen at %q and %q", r.SharedAt(hour.ID), r.SharedAt(forEver.ID))
	}
}

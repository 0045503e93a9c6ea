package routes

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
)

// What people do with a run that is kept.

func (s *Server) setNote(ctx context.Context, who lab.Person, id, note string) error {
	var ps dut.Problems
	checkNote(&ps, note)
	if err := ps.Err(); err != nil {
		return err
	}
	if err := s.Store.SetNote(ctx, id, note); err != nil {
		return err
	}
	s.note(ctx, who, "note", id, "")
	return nil
}

func (s *Server) deleteRun(ctx context.Context, who lab.Person, id string) error {
	rec, err := s.Store.GetRun(ctx, id)
	if err != nil {
		return err
	}
	if rec.Status == procedure.Running {
		return problem.New(problem.Conflict, "This run is at work. Stop it first.")
	}
	if err := s.Store.DeleteRun(ctx, id); err != nil {
		return err
	}
	s.note(ctx, who, "delete run", id, rec.Device.Key+" "+rec.Unit.Serial)
	return nil
}

// rerun starts the procedure of a run again, at its latest revision. On a
// rehearsal bench the same unit is seated again, with the same faults.
func (s *Server) rerun(ctx context.Context, who lab.Person, id string, confirm []string) (string, error) {
	rec, err := s.Store.GetRun(ctx, id)
	if err != nil {
		return "", err
	}
	if rec.Manual {
		return "", problem.New(problem.Conflict, "A run kept from the manual page has no procedure to run again.")
	}
	s.socket.Lock()
	defer s.socket.Unlock()
	if kept, ok := rec.Seated.(json.RawMessage); ok && s.bench(ctx).Rehearse != nil {
		var q bench.Seating
		if err := json.Unmarshal(kept, &q); err != nil {
			return "", fmt.Errorf("seating of run %s: %w", id, err)
		}
		if err := s.seatLocked(ctx, who, q); err != nil {
			return "", err
		}
	}
	var known []string // what was acknowledged for the run is for its repetition
	for _, f := range rec.Acknowledged {
		known = append(known, f.Name())
	}
	return s.startLocked(ctx, who, StartRequest{
		Acknowledge: known, Confirm: confirm,
		Device: rec.Device.Key, Procedure: rec.Procedure.Key, Serial: rec.Unit.Serial, Lot: rec.Unit.Lot,
	})
}

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

// maxShare is the longest that a share link can be made for.
const maxShare = 10 * 365 * 24 * time.Hour

// createShare makes a link to a run; expires 0 is never.
func (s *Server) createShare(ctx context.Context, who lab.Person, id string, expires time.Duration) (ShareLink, error) {
	if expires < 0 || expires > maxShare {
		return ShareLink{}, problem.Field("days", "a link lasts from now to ten years, or for ever when this is left empty")
	}
	link := ShareLink{By: who.Name, Created: s.Now()}
	if expires > 0 {
		link.Expires = link.Created.Add(expires)
	}
	secret, err := s.Store.NewShare(ctx, id, who.Name, link.Expires)
	if err != nil {
		return ShareLink{}, err
	}
	link.Path = "/s/" + secret
	if all, err := s.Store.ListShares(ctx, id); err == nil && len(all) > 0 {
		link.ID = all[0].ID
	}
	s.note(ctx, who, "share run", id, "")
	return link, nil
}

func (s *Server) listShares(ctx context.Context, id string) ([]ShareLink, error) {
	if _, err := s.Store.GetRun(ctx, id); err != nil {
		return nil, err
	}
	all, err := s.Store.ListShares(ctx, id)
	if err != nil {
		return nil, err
	}
	out := make([]ShareLink, 0, len(all))
	for _, x := range all {
		out = append(out, ShareLink{ID: x.ID, By: x.By, Created: x.Created, Expires: x.Expires, Revoked: x.Revoked})
	}
	return out, nil
}

// revokeShare makes a link of this run void.
func (s *Server) revokeShare(ctx context.Context, who lab.Person, id string, share int64) error {
	all, err := s.Store.ListShares(ctx, id)
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
		if err := s.Store.RevokeShare(ctx, share); err != nil {
			return err
		}
		s.note(ctx, who, "revoke share", id, strconv.FormatInt(share, 10))
		return nil
	}
	return &problem.Error{Code: problem.NotFound, Message: "this run has no such share link"}
}

package routes

import (
	"net/http"
	"strconv"
	"time"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

func (s *Server) shareEndpoints() []endpoint {
	const tag = "sharing"
	return []endpoint{
		{route: route{"GET", "/shares", store.Viewer, page, s.apiAllShares}, id: "listAllShares", tag: tag,
			summary: "All share links, newest first, without their secrets.", response: apiList[lab.ShareLink]{}},
		{route: route{"POST", "/shares", store.Operator, page, s.apiMakeShare}, id: "createAnyShare", tag: tag, status: http.StatusCreated,
			summary: "Make a read-only link to a run, a lot, the comparison of a lot by one result, or a device. Its path is answered once.",
			request: apiShareRequest{}, response: lab.ShareLink{}},
		{route: route{"DELETE", "/shares/{share}", store.Operator, page, s.apiRevokeAnyShare}, id: "revokeAnyShare", tag: tag,
			status: http.StatusNoContent, summary: "Make a share link void for good. Whatever is open with it ends."},
		{route: route{"GET", "/runs/{id}/shares", store.Viewer, page, s.apiShares}, id: "listShares", tag: tag,
			summary: "The shared links of a run, newest first, without their secrets.", response: apiList[lab.ShareLink]{}},
		{route: route{"POST", "/runs/{id}/shares", store.Operator, page, s.apiShare}, id: "createShare", tag: tag, status: http.StatusCreated,
			summary: "Make a read-only link to a run. Its path is answered once.", request: apiShare{}, response: lab.ShareLink{}},
		{route: route{"DELETE", "/runs/{id}/shares/{share}", store.Operator, page, s.apiRevokeShare}, id: "revokeShare", tag: tag,
			status: http.StatusNoContent, summary: "Make a shared link void for good."},
	}
}

// apiShare is the JSON request that makes a share link to a run.
type apiShare struct {
	Expires float64 `json:"expires,omitempty" doc:"seconds from now; left out: never"`
}

// apiShareRequest is the JSON request that makes a share link to any page.
type apiShareRequest struct {
	Kind    string  `json:"kind" doc:"run, lot, comparison or device"`
	Subject string  `json:"subject" doc:"the run’s id, the lot’s name or the device’s key"`
	Result  string  `json:"result,omitempty" doc:"of a comparison: measurement, result, where and pin, as far as there are, with · between"`
	Expires float64 `json:"expires,omitempty" doc:"seconds from now; left out: never"`
}

func (s *Server) apiAllShares(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Lab.SharesOf(r.Context(), "", "")
	if err != nil {
		return err
	}
	return replyList(w, list)
}

func (s *Server) apiMakeShare(w http.ResponseWriter, r *http.Request) error {
	a, err := decode[apiShareRequest](r)
	if err != nil {
		return err
	}
	lasts, err := ageOf(a.Expires)
	if err != nil {
		return err
	}
	link, err := s.Lab.Share(r.Context(), personOf(r.Context()), shareRequest(a.Kind, a.Subject, a.Result, lasts))
	if err != nil {
		return err
	}
	return reply(w, http.StatusCreated, link)
}

func (s *Server) apiRevokeAnyShare(w http.ResponseWriter, r *http.Request) error {
	return s.takeBack(w, r, "share", "shared link", s.People.RevokeShare)
}

func (s *Server) apiShares(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Lab.Shares(r.Context(), chi.URLParam(r, "id"))
	if err != nil {
		return err
	}
	return replyList(w, list)
}

func (s *Server) apiShare(w http.ResponseWriter, r *http.Request) error {
	a, err := decode[apiShare](r)
	if err != nil {
		return err
	}
	most := lab.MaxShare.Seconds()
	if a.Expires < 0 || a.Expires > most || a.Expires > 0 && a.Expires < 1 {
		return problem.Field("expires", "must be 1 to "+strconv.FormatFloat(most, 'f', -1, 64)+" seconds, or left out")
	}
	link, err := s.Lab.Share(r.Context(), personOf(r.Context()), lab.ShareRequest{Kind: store.RunShare, Subject: chi.URLParam(r, "id"), Expires: time.Duration(a.Expires * float64(time.Second))})
	if err != nil {
		return err
	}
	return reply(w, http.StatusCreated, link)
}

func (s *Server) apiRevokeShare(w http.ResponseWriter, r *http.Request) error {
	share, err := strconv.ParseInt(chi.URLParam(r, "share"), 10, 64)
	if err != nil {
		return problem.NoSuch("shared link of this number")
	}
	if err := s.revokeRunShare(r, chi.URLParam(r, "id"), share); err != nil {
		return err
	}
	return noContent(w)
}

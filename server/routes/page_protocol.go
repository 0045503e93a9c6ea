package routes

import (
	"net/http"
	"strconv"

	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/web"
)

func (s *Server) protocolPages() []route {
	return []route{
		{"GET", "/protocol", store.Viewer, page, s.protocolPage},
		{"GET", "/protocol/firmware.zip", store.Viewer, page, s.firmware},
	}
}

// protocolPage is the reference of the protocol on one page, to read and to
// print.
func (s *Server) protocolPage(w http.ResponseWriter, r *http.Request) error {
	return show(r.Context(), w, http.StatusOK, web.Protocol(web.ProtocolProps{
		Page: s.frame(r.Context(), "The protocol", "/bench"), Reference: s.Protocol, Firmware: len(s.Firmware),
	}))
}

// firmware downloads the skeleton of a card's program.
func (s *Server) firmware(w http.ResponseWriter, _ *http.Request) error {
	if len(s.Firmware) == 0 {
		return problem.NoSuch("skeleton of a card's program in this build")
	}
	h := w.Header()
	h.Set("Content-Type", "application/zip")
	h.Set("Content-Disposition", `attachment; filename="ohmkeep-card.zip"`)
	h.Set("Content-Length", strconv.Itoa(len(s.Firmware)))
	_, _ = w.Write(s.Firmware) // the reader has gone
	return nil
}

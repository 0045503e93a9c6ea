package routes

import (
	"context"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/form"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
)

// deviceDuplicate handles the form that stores a copy of a device, with the
// pin map, under another name.
func (s *Server) deviceDuplicate(w http.ResponseWriter, r *http.Request) error {
	ctx, who := r.Context(), personOf(r.Context())
	d, err := s.Store.GetDevice(ctx, chi.URLParam(r, "key"), 0)
	if err != nil {
		return err
	}
	name := strings.TrimSpace(r.PostForm.Get("name"))
	key, err := s.Lab.FreeDeviceKey(ctx, form.KeyFor(name))
	if err != nil {
		return err
	}
	copied, err := s.Lab.DuplicateDevice(ctx, s.bench(ctx), who, d.Body, key, name)
	if err != nil && !copied {
		e := editing{values: form.DeviceValues(&d.Body), stored: d, notice: "No copy was made: " + s.classify(r.Context(), err).Detail}
		e.values.Set("rev", strconv.Itoa(d.Rev))
		e.device = d.Body
		return s.showEditor(w, r, http.StatusUnprocessableEntity, &e)
	}
	if err != nil {
		return err
	}
	return seeOther(w, r, "/devices/"+key+"/edit")
}

// deviceDelete handles the button that takes a device out of the lists. Where
// procedures use it, the editor names them.
func (s *Server) deviceDelete(w http.ResponseWriter, r *http.Request) error {
	ctx, key := r.Context(), chi.URLParam(r, "key")
	err := s.Lab.DeleteDevice(ctx, personOf(ctx), key)
	if problem.CodeOf(err) == problem.Conflict {
		return s.stillUsed(w, r, key, err)
	}
	if err != nil {
		return err
	}
	return seeOther(w, r, "/devices")
}

// deletedBy returns who deleted a device and when, as far as the log knows.
func (s *Server) deletedBy(ctx context.Context, key, by string, at time.Time) (string, time.Time) {
	events, err := s.Store.Events(ctx, key, 0, 20)
	if err != nil {
		return by, at
	}
	for _, e := range events {
		if e.Action == lab.DeletedDevice {
			return e.By, e.At
		}
	}
	return "Somebody", at
}

func (s *Server) stillUsed(w http.ResponseWriter, r *http.Request, key string, cause error) error {
	d, err := s.Store.GetDevice(r.Context(), key, 0)
	if err != nil {
		return err
	}
	procs, err := s.Store.ListProcedures(r.Context(), key)
	if err != nil {
		return err
	}
	var names []string
	for _, p := range procs {
		names = append(names, p.Body.Name)
	}
	e := editing{values: form.DeviceValues(&d.Body), stored: d, device: d.Body,
		notice: sentence(cause.Error()) + ". They are: " + strings.Join(names, "; ") + "."}
	e.values.Set("rev", strconv.Itoa(d.Rev))
	return s.showEditor(w, r, http.StatusConflict, &e)
}

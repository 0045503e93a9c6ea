package routes

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/form"
	"ohmkeep/server/problem"
)

// deviceDuplicate handles the form that stores a copy of a device, with the
// pin map, under another name.
func (s *Server) deviceDuplicate(w http.ResponseWriter, r *http.Request) error {
	ctx, who := r.Context(), personOf(r.Context())
	if err := r.ParseForm(); err != nil {
		return err
	}
	d, err := s.Store.GetDevice(ctx, chi.URLParam(r, "key"), 0)
	if err != nil {
		return err
	}
	name := strings.TrimSpace(r.PostForm.Get("name"))
	key, err := s.freeKey(ctx, form.KeyFor(name))
	if err != nil {
		return err
	}
	rev, err := s.Store.SaveDevice(ctx, d.Body.Duplicate(key, name), 0, who.Name)
	if err != nil {
		e := editing{values: form.DeviceValues(&d.Body), stored: d, notice: "No copy was made: " + classify(err, s.Log).Detail}
		e.values.Set("rev", strconv.Itoa(d.Rev))
		e.device = d.Body
		return s.showEditor(w, r, http.StatusUnprocessableEntity, &e)
	}
	if pm, err := s.Store.GetPinMap(ctx, d.Body.Key, s.bench(r.Context()).Definition.Key, 0); err == nil && !pm.Removed {
		pm.Body.Device = key
		if _, err := s.Store.SavePinMap(ctx, pm.Body, 0, who.Name); err != nil {
			return err
		}
	}
	s.Lab.Note(ctx, who, "duplicate device", key, fmt.Sprintf("%s, revision %d", d.Body.Key, rev))
	return seeOther(w, r, "/devices/"+key+"/edit")
}

// reservedKeys are the keys that no device may have: pages of their own have
// these addresses.
var reservedKeys = []string{"new"}

// freeKey returns an unused device key: key, or key with the first number
// behind it that is free.
func (s *Server) freeKey(ctx context.Context, key string) (string, error) {
	if key == "" {
		key = "device"
	}
	for n := 1; n < 1000; n++ {
		try := key
		if n > 1 {
			try = fmt.Sprintf("%s-%d", key, n)
		}
		_, err := s.Store.GetDevice(ctx, try, 0)
		if problem.CodeOf(err) == problem.NotFound && !slices.Contains(reservedKeys, try) {
			return try, nil
		}
		if err != nil && problem.CodeOf(err) != problem.NotFound {
			return "", err
		}
	}
	return "", problem.New(problem.Conflict, "Too many devices are called alike: choose another name.")
}

// deviceDelete handles the button that takes a device out of the lists. Where
// procedures use it, the editor names them.
func (s *Server) deviceDelete(w http.ResponseWriter, r *http.Request) error {
	ctx, key := r.Context(), chi.URLParam(r, "key")
	err := s.Store.DeleteDevice(ctx, key)
	if problem.CodeOf(err) == problem.Conflict {
		return s.stillUsed(w, r, key, err)
	}
	if err != nil {
		return err
	}
	s.Lab.Note(ctx, personOf(ctx), deleteDevice, key, "")
	return seeOther(w, r, "/devices")
}

const deleteDevice = "delete device"

// deletedBy returns who deleted a device and when, as far as the log knows.
func (s *Server) deletedBy(ctx context.Context, key, by string, at time.Time) (string, time.Time) {
	events, err := s.Store.Events(ctx, key, 0, 20)
	if err != nil {
		return by, at
	}
	for _, e := range events {
		if e.Action == deleteDevice {
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

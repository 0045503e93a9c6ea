package routes

import (
	"net/http"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/store"
)

func (s *Server) deviceEndpoints() []endpoint {
	const tag = "devices"
	return []endpoint{
		{route: route{"GET", "/devices", store.Viewer, page, s.apiDevices}, id: "listDevices", tag: tag, query: documentPages,
			summary: "The latest revision of every device, by name.", response: apiList[apiRevision[dut.Device]]{}},
		{route: route{"GET", "/devices/{key}", store.Viewer, page, s.apiDevice}, id: "getDevice", tag: tag, query: []param{revParam},
			summary: "One revision of a device.", response: apiRevision[dut.Device]{}, tagged: true},
		{route: route{"PUT", "/devices/{key}", store.Operator, page, s.apiPutDevice}, id: "putDevice", tag: tag,
			summary: "Store a new device or a new revision of one.", request: dut.Device{}, response: apiSaved{}, tagged: true},
		{route: route{"DELETE", "/devices/{key}", store.Owner, page, s.apiDeleteDevice}, id: "deleteDevice", tag: tag,
			summary: "Take a device out of the lists. Its revisions stay for the runs that used them.", status: http.StatusNoContent},
		{route: route{"GET", "/devices/{key}/revisions", store.Viewer, page, s.apiDeviceRevisions}, id: "listDeviceRevisions", tag: tag,
			summary: "The history of a device, newest first.", response: apiList[store.Revision]{}},
		{route: route{"GET", "/devices/{key}/pinmaps", store.Viewer, page, s.apiPinMaps}, id: "listPinMaps", tag: tag,
			summary: "The pin maps of a device, one for each bench.", response: apiList[apiRevision[bench.PinMap]]{}},
		{route: route{"GET", "/devices/{key}/pinmaps/{bench}", store.Viewer, page, s.apiPinMap}, id: "getPinMap", tag: tag, query: []param{revParam},
			summary: "The pin map of a device on a bench.", response: apiRevision[bench.PinMap]{}, tagged: true},
		{route: route{"PUT", "/devices/{key}/pinmaps/{bench}", store.Operator, page, s.apiPutPinMap}, id: "putPinMap", tag: tag,
			summary: "Store a pin map or a new revision of one.", request: bench.PinMap{}, response: apiSaved{}, tagged: true},
		{route: route{"DELETE", "/devices/{key}/pinmaps/{bench}", store.Owner, page, s.apiDeletePinMap}, id: "deletePinMap", tag: tag,
			summary: "Take a pin map out of the lists.", status: http.StatusNoContent},
	}
}

func (s *Server) apiDevices(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	list, next, err := s.Store.DevicePage(r.Context(), q.Get("cursor"), number(q, "limit", documentsPerPage))
	return replyPage(w, list, next, err)
}

func (s *Server) apiDevice(w http.ResponseWriter, r *http.Request) error {
	d, err := s.Store.GetDevice(r.Context(), chi.URLParam(r, "key"), number(r.URL.Query(), "rev", 0))
	return replyRevision(w, d, err)
}

func (s *Server) apiDeviceRevisions(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Store.DeviceRevisions(r.Context(), chi.URLParam(r, "key"))
	if err != nil {
		return err
	}
	return replyList(w, list)
}

func (s *Server) apiPutDevice(w http.ResponseWriter, r *http.Request) error {
	expected, err := expectedRev(r)
	if err != nil {
		return err
	}
	d, err := decode[dut.Device](r)
	if err != nil {
		return err
	}
	var ps dut.Problems
	sameKey(&ps, "key", d.Key, chi.URLParam(r, "key"))
	if err := ps.Err(); err != nil {
		return err
	}
	rev, err := s.Lab.SaveDevice(r.Context(), personOf(r.Context()), d, expected)
	return replySaved(w, expected, rev, err)
}

func (s *Server) apiDeleteDevice(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.DeleteDevice(r.Context(), personOf(r.Context()), chi.URLParam(r, "key")); err != nil {
		return err
	}
	return noContent(w)
}

func (s *Server) apiPinMaps(w http.ResponseWriter, r *http.Request) error {
	key := chi.URLParam(r, "key")
	if _, err := s.Store.GetDevice(r.Context(), key, 0); err != nil {
		return err
	}
	list, err := s.Store.ListPinMaps(r.Context(), key, "")
	return replyRevisions(w, list, err)
}

func (s *Server) apiPinMap(w http.ResponseWriter, r *http.Request) error {
	m, err := s.Store.GetPinMap(r.Context(), chi.URLParam(r, "key"), chi.URLParam(r, "bench"), number(r.URL.Query(), "rev", 0))
	return replyRevision(w, m, err)
}

func (s *Server) apiPutPinMap(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	expected, err := expectedRev(r)
	if err != nil {
		return err
	}
	at, err := s.deviceOnBench(ctx, r)
	if err != nil {
		return err
	}
	m, err := decode[bench.PinMap](r)
	if err != nil {
		return err
	}
	var ps dut.Problems
	sameKey(&ps, "device", m.Device, at.device.Key)
	sameKey(&ps, "bench", m.Bench, at.def.Key)
	if err := ps.Err(); err != nil {
		return err
	}
	rev, err := s.Lab.SavePinMap(ctx, personOf(ctx), at.def, m, expected)
	return replySaved(w, expected, rev, err)
}

func (s *Server) apiDeletePinMap(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.DeletePinMap(r.Context(), personOf(r.Context()), chi.URLParam(r, "key"), chi.URLParam(r, "bench")); err != nil {
		return err
	}
	return noContent(w)
}

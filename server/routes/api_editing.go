package routes

import (
	"context"
	"errors"
	"net/http"
	"net/url"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// editingEndpoints is the table of the API's helpers for describing and
// mapping a part, beyond storing the documents. They do the same as the
// editors' pages.
func (s *Server) editingEndpoints() []endpoint {
	const tag = "devices"
	from := apidoc.Query("from", "Number of the earlier revision.", apidoc.Whole(1, 1<<31-1))
	to := apidoc.Query("to", "Number of the later revision; left out: the latest.", apidoc.Whole(1, 1<<31-1))
	return []endpoint{
		{route: route{"POST", "/pin-tables", store.Operator, page, s.apiPinTable}, id: "readPinTable", tag: tag,
			summary: "What is understood of a pasted pin table, row by row, and the device that is proposed from it. Nothing is stored.",
			request: apiPaste{}, response: apiPasted{}},
		{route: route{"GET", "/logic-families", store.Viewer, page, s.apiLogicFamilies}, id: "listLogicFamilies", tag: tag,
			summary: "The logic families that pins may name, with their levels and where these come from.", response: apiList[dut.LogicFamily]{}},
		{route: route{"GET", "/devices/{key}/changes", store.Viewer, page, s.apiDeviceChanges}, id: "compareDevices", tag: tag, query: []param{from, to},
			summary: "What changed between two revisions of a device.", response: apiList[dut.Change]{}},
		{route: route{"GET", "/devices/{key}/warnings", store.Viewer, page, s.apiDeviceWarnings}, id: "listDeviceWarnings", tag: tag, query: []param{revParam},
			summary: "What a device lacks, or has and rarely should.", response: apiList[dut.Problem]{}},
		{route: route{"GET", "/devices/{key}/pinmaps/{bench}/proposal", store.Viewer, page, s.apiProposal}, id: "proposePinMap", tag: tag,
			summary: "A pin map from the package alone, what was assumed for it, and what will be in the way. Nothing is stored.", response: apiProposal{}},
		{route: route{"GET", "/devices/{key}/pinmaps/{bench}/conflicts", store.Viewer, page, s.apiConflicts}, id: "listConflicts", tag: tag, query: []param{revParam},
			summary: "What will be in the way of a pin map.", response: apiList[dut.Problem]{}},
		{route: route{"GET", "/devices/{key}/pinmaps/{bench}/wiring", store.Viewer, page, s.apiWiring}, id: "getWiring", tag: tag, query: []param{revParam},
			summary: "The wires of a pin map in the order of plugging.", response: apiList[bench.WiringRow]{}},
		{route: route{"GET", "/devices/{key}/pinmaps/{bench}/reach", store.Viewer, page, s.apiReach}, id: "listReach", tag: tag, query: []param{revParam},
			summary: "Which lines reach which pin.", response: apiList[apiPinReach]{}},
		{route: route{"GET", "/devices/{key}/pinmaps/{bench}/revisions", store.Viewer, page, s.apiPinMapRevisions}, id: "listPinMapRevisions", tag: tag,
			summary: "The history of a pin map, newest first.", response: apiList[store.Revision]{}},
		{route: route{"GET", "/devices/{key}/pinmaps/{bench}/changes", store.Viewer, page, s.apiPinMapChanges}, id: "comparePinMaps", tag: tag, query: []param{from, to},
			summary: "What changed between two revisions of a pin map.", response: apiList[dut.Change]{}},
	}
}

// apiPaste is the JSON request with a table of pins as it was copied.
type apiPaste struct {
	Text string `json:"text" doc:"the table: tabs, semicolons, commas, pipes or wide spaces between cells"`
	Key  string `json:"key,omitempty" doc:"key of the device to propose"`
	Name string `json:"name,omitempty" doc:"name of the device to propose"`
}

// apiPasted is the JSON of a pasted table as it was read, with the device that
// it proposes and what that assumes.
type apiPasted struct {
	Table       dut.PinTable     `json:"table"`
	Device      *dut.Device      `json:"device,omitempty" doc:"absent where no pin was found"`
	Assumptions []dut.Assumption `json:"assumptions" doc:"what the proposed device has that nobody gave"`
}

func (s *Server) apiPinTable(w http.ResponseWriter, r *http.Request) error {
	q, err := decode[apiPaste](r)
	if err != nil {
		return err
	}
	t := dut.ParsePinTable(q.Text)
	out := apiPasted{Table: t, Assumptions: []dut.Assumption{}}
	if len(t.Pins()) > 0 {
		d, said := dut.Propose(q.Key, q.Name, t)
		out.Device, out.Assumptions = &d, said
	}
	return reply(w, http.StatusOK, out)
}

func (s *Server) apiLogicFamilies(w http.ResponseWriter, _ *http.Request) error {
	return replyList(w, dut.LogicFamilies())
}

// compared loads the two revisions that a request names and lists the
// differences between them.
func compared[T any](r *http.Request, get func(rev int) (*T, error), diff func(a, b *T) []dut.Change) ([]dut.Change, error) {
	q := r.URL.Query()
	if !q.Has("from") {
		return nil, problem.Field("from", "name the earlier revision")
	}
	a, err := get(number(q, "from", 0))
	if err != nil {
		return nil, err
	}
	b, err := get(number(q, "to", 0))
	if err != nil {
		return nil, err
	}
	return diff(a, b), nil
}

func (s *Server) apiDeviceChanges(w http.ResponseWriter, r *http.Request) error {
	list, err := compared(r, func(rev int) (*dut.Device, error) {
		d, err := s.Store.GetDevice(r.Context(), chi.URLParam(r, "key"), rev)
		if err != nil {
			return nil, err
		}
		return &d.Body, nil
	}, dut.Diff)
	if err != nil {
		return err
	}
	return replyList(w, list)
}

func (s *Server) apiDeviceWarnings(w http.ResponseWriter, r *http.Request) error {
	d, err := s.Store.GetDevice(r.Context(), chi.URLParam(r, "key"), number(r.URL.Query(), "rev", 0))
	if err != nil {
		return err
	}
	return replyList(w, []dut.Problem(d.Body.Warnings()))
}

// apiProposal is the JSON of a proposed pin map, which nobody has checked yet.
type apiProposal struct {
	PinMap      bench.PinMap  `json:"pinMap"`
	Assumptions []string      `json:"assumptions" doc:"how it came about, in words"`
	Conflicts   []dut.Problem `json:"conflicts" doc:"what will be in the way"`
}

// mapped is a device with its pin map on a bench, in the revisions that a
// request names.
type mapped struct {
	def    *bench.Definition
	device *dut.Device
	pm     *bench.PinMap
}

func (s *Server) deviceOnBench(ctx context.Context, r *http.Request) (mapped, error) {
	d, err := s.Store.GetDevice(ctx, chi.URLParam(r, "key"), 0)
	if err != nil {
		return mapped{}, err
	}
	on, err := s.Store.GetBench(ctx, chi.URLParam(r, "bench"), 0)
	if err != nil {
		return mapped{}, err
	}
	return mapped{def: &on.Body, device: &d.Body}, nil
}

func (s *Server) mappedOf(r *http.Request, q url.Values) (mapped, error) {
	m, err := s.deviceOnBench(r.Context(), r)
	if err != nil {
		return m, err
	}
	pm, err := s.Store.GetPinMap(r.Context(), m.device.Key, m.def.Key, number(q, "rev", 0))
	if err != nil {
		return m, err
	}
	m.pm = &pm.Body
	return m, nil
}

func (s *Server) apiProposal(w http.ResponseWriter, r *http.Request) error {
	m, err := s.deviceOnBench(r.Context(), r)
	if err != nil {
		return err
	}
	pm, says, err := bench.Propose(m.def, m.device)
	var clash *bench.Clash
	if err != nil && !errors.As(err, &clash) {
		return problem.New(problem.Conflict, sentence(err.Error())+".")
	}
	return reply(w, http.StatusOK, apiProposal{PinMap: pm, Assumptions: says, Conflicts: bench.Conflicts(m.def, &pm, m.device)})
}

func (s *Server) apiConflicts(w http.ResponseWriter, r *http.Request) error {
	m, err := s.mappedOf(r, r.URL.Query())
	if err != nil {
		return err
	}
	return replyList(w, bench.Conflicts(m.def, m.pm, m.device))
}

func (s *Server) apiWiring(w http.ResponseWriter, r *http.Request) error {
	m, err := s.mappedOf(r, r.URL.Query())
	if err != nil {
		return err
	}
	return replyList(w, bench.WiringSheet(m.def, m.pm, m.device))
}

// apiPinReach is the JSON of one pin with the bench's lines that reach it.
type apiPinReach struct {
	Pin     int             `json:"pin"`
	Contact int             `json:"contact,omitempty"`
	Lines   []bench.Reached `json:"lines"`
}

func (s *Server) apiReach(w http.ResponseWriter, r *http.Request) error {
	m, err := s.mappedOf(r, r.URL.Query())
	if err != nil {
		return err
	}
	out := []apiPinReach{}
	for _, p := range m.device.SortPins().Pins {
		out = append(out, apiPinReach{p.Number, m.pm.Contacts[p.Number], bench.Reach(m.def, m.pm, p.Number)})
	}
	return replyList(w, out)
}

func (s *Server) apiPinMapRevisions(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Store.PinMapRevisions(r.Context(), chi.URLParam(r, "key"), chi.URLParam(r, "bench"))
	if err != nil {
		return err
	}
	return replyList(w, list)
}

func (s *Server) apiPinMapChanges(w http.ResponseWriter, r *http.Request) error {
	m, err := s.deviceOnBench(r.Context(), r)
	if err != nil {
		return err
	}
	list, err := compared(r, func(rev int) (*bench.PinMap, error) {
		x, err := s.Store.GetPinMap(r.Context(), m.device.Key, m.def.Key, rev)
		if err != nil {
			return nil, err
		}
		return &x.Body, nil
	}, func(a, b *bench.PinMap) []dut.Change { return bench.Diff(m.def, m.device, a, b) })
	if err != nil {
		return err
	}
	return replyList(w, list)
}

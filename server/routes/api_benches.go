package routes

import (
	"context"
	"net/http"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/lab"
	"ohmkeep/store"
)

func (s *Server) benchEndpoints() []endpoint {
	const tag = "benches"
	return append([]endpoint{
		{route: route{"GET", "/benches", store.Viewer, page, s.apiBenches}, id: "listBenches", tag: tag,
			summary: "The benches of this server and how they stand.", response: apiList[apiBench]{}},
		{route: route{"GET", "/benches/{key}", store.Viewer, page, s.apiState}, id: "getBench", tag: tag,
			summary: "How a bench stands. Of the one in use: its state, its connections, who holds control, what is seated, the run at work.", response: apiBench{}},
		{route: route{"PUT", "/benches/{key}/seating", store.Operator, page, s.ofBench(s.apiSeat)}, id: "seat", tag: tag,
			summary: "Seat a unit on a rehearsal bench, with its seed, options and faults.", request: apiSeatRequest{}, response: apiBench{}},
		{route: route{"POST", "/benches/{key}/safe", store.Viewer, control, s.ofBench(s.apiMakeSafe)}, id: "makeSafe", tag: tag,
			summary: "Outputs to zero and off, all paths open. It ends a run at work. This is no emergency stop.", response: apiBench{}},
		{route: route{"PUT", "/benches/{key}/control", store.Operator, control, s.ofBench(s.apiTakeControl)}, id: "takeControl", tag: tag,
			summary: "Take control of a bench; an owner takes it over from whoever has it.", response: apiBench{}},
		{route: route{"DELETE", "/benches/{key}/control", store.Operator, control, s.ofBench(s.apiReleaseControl)}, id: "releaseControl", tag: tag,
			summary: "Give control of a bench up.", response: apiBench{}},
		{route: route{"POST", "/benches/{key}/control/ask", store.Operator, page, s.ofBench(s.apiControl(s.Lab.AskControl))}, id: "askControl", tag: tag,
			summary: "Ask whoever holds control of a bench to hand it over; where nobody does, take it.", response: apiBench{}},
		{route: route{"POST", "/benches/{key}/control/hand-over", store.Operator, page, s.ofBench(s.apiControl(s.Lab.HandOver))}, id: "handOverControl", tag: tag,
			summary: "Give control to whoever has asked for it; not while a run is at work.", response: apiBench{}},
		{route: route{"POST", "/benches/{key}/control/refuse", store.Operator, page, s.ofBench(s.apiControl(s.Lab.RefuseControl))}, id: "refuseControl", tag: tag,
			summary: "Keep control where somebody asks for it, or ask no more.", response: apiBench{}},
		{route: route{"GET", "/models", store.Viewer, page, s.apiModels}, id: "listModels", tag: tag,
			summary: "The parts that can be rehearsed, and the kinds of faults that a unit and the bench can have.", response: apiModels{}},
	}, s.benchDefinitionEndpoints()...)
}

// apiBench is the JSON of the state of a bench.
type apiBench struct {
	Key       string         `json:"key"`
	Name      string         `json:"name"`
	InUse     bool           `json:"inUse" doc:"one bench of a server is in use at a time"`
	Rehearsal bool           `json:"rehearsal" doc:"whatever is measured on it is rehearsed"`
	Rev       int            `json:"rev" doc:"latest revision of its definition"`
	Newer     bool           `json:"newer,omitempty" doc:"that revision was saved after the bench was put in use, and is not in use yet"`
	Channels  int            `json:"channels"`
	Contacts  int            `json:"contacts"`
	State     bench.State    `json:"state,omitempty" doc:"of the bench in use"`
	Reason    string         `json:"reason,omitempty" doc:"why the state is what it is"`
	Since     time.Time      `json:"since,omitzero"`
	Run       string         `json:"run,omitempty" doc:"the run at work"`
	Holder    string         `json:"holder,omitempty" doc:"who holds control"`
	Mine      bool           `json:"mine,omitempty" doc:"whether that is whoever asks"`
	Asks      string         `json:"asks,omitempty" doc:"who asks for control"`
	Lapses    time.Time      `json:"lapses,omitzero" doc:"when control ends by itself, where that is near"`
	Seated    *bench.Seating `json:"seated,omitempty" doc:"what is in the socket of a rehearsal bench"`
	// Connections are those of the bench in use, in the definition's order.
	Connections []apiConnectionHealth `json:"connections,omitempty" doc:"how the connections of the bench in use stand"`
}

func (s *Server) apiMakeSafe(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.MakeSafe(r.Context(), s.bench(r.Context()), personOf(r.Context())); err != nil {
		return err
	}
	return s.apiState(w, r)
}

func (s *Server) apiTakeControl(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.TakeControl(r.Context(), s.bench(r.Context()), personOf(r.Context())); err != nil {
		return err
	}
	return s.apiState(w, r)
}

// apiControl answers an action of control with how the bench stands then.
func (s *Server) apiControl(act func(context.Context, *lab.Bench, lab.Person) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if err := act(r.Context(), s.bench(r.Context()), personOf(r.Context())); err != nil {
			return err
		}
		return s.apiState(w, r)
	}
}

func (s *Server) apiReleaseControl(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.ReleaseControl(r.Context(), s.bench(r.Context()), personOf(r.Context())); err != nil {
		return err
	}
	return s.apiState(w, r)
}

// apiSeatRequest is the JSON request that seats something in the socket.
type apiSeatRequest struct {
	Device      string             `json:"device,omitempty" doc:"key of the device; its model and pin map are used"`
	Serial      string             `json:"serial,omitempty" max:"64"`
	Lot         string             `json:"lot,omitempty" max:"64"`
	Model       string             `json:"model,omitempty" doc:"key of a model; left out: that of the device"`
	Seed        *uint64            `json:"seed,omitempty" doc:"the same seed is the same unit; left out: it follows from device and serial"`
	Options     map[string]float64 `json:"options,omitempty" doc:"by the option's key"`
	UnitFaults  []bench.UnitFault  `json:"unitFaults,omitempty"`
	BenchFaults []bench.BenchFault `json:"benchFaults,omitempty"`
	PinMap      *bench.PinMap      `json:"pinMap,omitempty" doc:"of a model without a device; left out: pin n on contact n"`
	BenchSeed   *uint64            `json:"benchSeed,omitempty" doc:"which bench is drawn: its errors, path resistances and noise; left out: the one that is"`
	World       *bench.World       `json:"world,omitempty" doc:"what the bench has of a real one, each effect with its size; left out: what it has"`
	Ambient     *float64           `json:"ambient,omitempty" doc:"temperature around the bench in degrees Celsius, in place of the world's"`
	Insertion   uint64             `json:"insertion,omitempty" doc:"each insertion has contacts of its own; left out: the next one"`
}

func (s *Server) apiSeat(w http.ResponseWriter, r *http.Request) error {
	a, err := decode[apiSeatRequest](r)
	if err != nil {
		return err
	}
	q := bench.Seating{Device: a.Device, Serial: a.Serial, Lot: a.Lot, Model: a.Model, Options: a.Options,
		UnitFaults: a.UnitFaults, BenchFaults: a.BenchFaults, Seed: lab.SeedOf(a.Device, a.Serial)}
	if a.Seed != nil {
		q.Seed = *a.Seed
	}
	if a.PinMap != nil {
		q.PinMap = *a.PinMap
	}
	q.BenchSeed, q.World, q.Insertion = a.BenchSeed, a.World, a.Insertion
	if a.Ambient != nil {
		q.World = inRoom(s.bench(r.Context()), q.World, *a.Ambient)
	}
	if err := s.Lab.Seat(r.Context(), s.bench(r.Context()), personOf(r.Context()), q); err != nil {
		return err
	}
	return s.apiState(w, r)
}

// inRoom is a world, or where none is named that of the bench, at another
// ambient temperature; nil on a real bench.
func inRoom(b *lab.Bench, w *bench.World, celsius float64) *bench.World {
	if b.Rehearse == nil {
		return nil
	}
	if w == nil {
		_, drawn := b.Rehearse.Drawn()
		w = &drawn
	}
	out := *w
	out.Ambient = celsius
	return &out
}

// apiModels is the JSON list of models that a rehearsal bench can seat.
type apiModels struct {
	Models      []bench.Model     `json:"models"`
	UnitFaults  []bench.FaultKind `json:"unitFaults"`
	BenchFaults []bench.FaultKind `json:"benchFaults"`
	// Worlds are the default first.
	Worlds []bench.NamedWorld `json:"worlds" doc:"what a rehearsal bench can have of a real one, by name"`
}

func (s *Server) apiModels(w http.ResponseWriter, r *http.Request) error {
	var a apiModels
	if in := s.bench(r.Context()).Rehearse; in != nil {
		a = apiModels{in.Models(), in.UnitFaultKinds(), in.BenchFaultKinds(), in.Worlds()}
	}
	return reply(w, http.StatusOK, a)
}

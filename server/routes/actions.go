package routes

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"strings"
	"unicode/utf8"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
	"ohmkeep/store"
)

// What people do, the same by page and by API: each method checks, acts, and
// writes a line into the log. Roles are checked before, by the route.

// StartRequest asks for a run.
type StartRequest struct {
	Device    string `json:"device"`
	Procedure string `json:"procedure"`
	Serial    string `json:"serial,omitempty"`
	Lot       string `json:"lot,omitempty"`
	Note      string `json:"note,omitempty"`
	// Seat puts a unit of the device's model with that serial number into the
	// socket of a rehearsal bench first.
	Seat bool `json:"seat,omitempty"`
	// Acknowledge names the warnings of the check before power that are known of.
	Acknowledge []string `json:"acknowledge,omitempty"`
	// Confirm names what is confirmed before a bench with cards is energised.
	Confirm []string `json:"confirm,omitempty"`
}

const (
	maxSerial = 64
	maxNote   = 4000
)

func (q *StartRequest) check() error {
	var ps dut.Problems
	checkLine(&ps, "serial", q.Serial, maxSerial)
	checkLine(&ps, "lot", q.Lot, maxSerial)
	checkNote(&ps, q.Note)
	if q.Device == "" {
		ps.Add("device", "choose a device")
	}
	if q.Procedure == "" {
		ps.Add("procedure", "choose a procedure")
	}
	return ps.Err()
}

func checkLine(ps *dut.Problems, field, text string, most int) {
	switch {
	case !utf8.ValidString(text):
		ps.Add(field, "is not valid UTF-8 text")
	case utf8.RuneCountInString(text) > most:
		ps.Add(field, "has %d characters; at most %d fit", utf8.RuneCountInString(text), most)
	case strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f }):
		ps.Add(field, "must be one line of plain text")
	}
}

func checkNote(ps *dut.Problems, text string) {
	switch {
	case !utf8.ValidString(text):
		ps.Add("note", "is not valid UTF-8 text")
	case utf8.RuneCountInString(text) > maxNote:
		ps.Add("note", "has %d characters; at most %d fit", utf8.RuneCountInString(text), maxNote)
	}
}

// startRun starts a stored procedure on the bench and returns the run's id.
func (s *Server) startRun(ctx context.Context, who lab.Person, q StartRequest) (string, error) {
	s.socket.Lock()
	defer s.socket.Unlock()
	return s.startLocked(ctx, who, q)
}

func (s *Server) startLocked(ctx context.Context, who lab.Person, q StartRequest) (string, error) {
	q.Serial, q.Lot = strings.TrimSpace(q.Serial), strings.TrimSpace(q.Lot)
	if err := q.check(); err != nil {
		return "", err
	}
	device, err := s.Store.GetDevice(ctx, q.Device, 0)
	if problem.CodeOf(err) == problem.NotFound || err == nil && device.Removed {
		return "", problem.Field("device", fmt.Sprintf("there is no device %q", q.Device))
	}
	if err != nil {
		return "", err
	}
	proc, err := s.Store.GetProcedure(ctx, q.Procedure, 0)
	if problem.CodeOf(err) == problem.NotFound || err == nil && (proc.Removed || proc.Body.Device != q.Device) {
		return "", problem.Field("procedure", fmt.Sprintf("there is no procedure %q for this device", q.Procedure))
	}
	if err != nil {
		return "", err
	}
	rec := &procedure.Record{
		Device: device.Body, DeviceRev: device.Rev, Procedure: proc.Body, ProcRev: proc.Rev,
		Unit: dut.Unit{Serial: q.Serial, Lot: q.Lot}, Note: q.Note,
	}
	if q.Seat {
		if err := s.checkedFirst(ctx, rec, q.Acknowledge); err != nil {
			return "", err
		}
		if err := s.seatFresh(ctx, who, rec); err != nil {
			return "", err
		}
	}
	return s.launchLocked(ctx, who, rec, nil, said{q.Acknowledge, q.Confirm})
}

// said is what whoever starts a run says to know of and to have seen to.
type said struct{ acknowledge, confirm []string }

// launch completes a record and hands it to the station, to be kept by to; nil
// is where the station keeps its runs.
func (s *Server) launch(ctx context.Context, who lab.Person, rec *procedure.Record, to run.Recorder, confirm []string) (string, error) {
	s.socket.Lock()
	defer s.socket.Unlock()
	return s.launchLocked(ctx, who, rec, to, said{confirm: confirm})
}

func (s *Server) launchLocked(ctx context.Context, who lab.Person, rec *procedure.Record, to run.Recorder, words said) (string, error) {
	if err := s.mayUse(who); err != nil {
		return "", err
	}
	pm, err := s.Store.GetPinMap(ctx, rec.Device.Key, s.bench(ctx).Definition.Key, 0)
	if problem.CodeOf(err) == problem.NotFound || err == nil && pm.Removed {
		return "", problem.Field("device", "this device has no pin map for this bench yet")
	}
	if err != nil {
		return "", err
	}
	if err := rec.Procedure.Validate(&rec.Device); err != nil {
		return "", err
	}
	seated, err := s.seated(ctx)
	if err != nil {
		return "", err
	}
	rec.PinMap, rec.Bench, rec.Identity, rec.Rehearsal = pm.Body, s.bench(ctx).Definition, s.bench(ctx).Identity(), s.bench(ctx).Identity().Rehearsal
	rec.Operator, rec.Status, rec.Started = who.Name, procedure.Running, s.Now()
	if seated != nil {
		rec.Seated = seated
	}
	if _, err := run.Check(rec); err != nil { // what cannot work is said before, not during
		return "", err
	}
	if err := s.checked(rec, words.acknowledge); err != nil {
		return "", err
	}
	if err := s.mayBegin(); err != nil {
		return "", err
	}
	rec.Confirmed, err = s.confirm(ctx, who, words.confirm, occasion{device: &rec.Device, deviceRev: rec.DeviceRev, pinMap: &rec.PinMap, rev: pm.Rev})
	if err != nil {
		return "", err
	}
	// The record and the live page count measurements as they are carried out.
	rec.Procedure = procedure.Expand(rec.Procedure, &rec.Device)
	if rec.ID == "" {
		if rec.ID, err = run.NewID(); err != nil {
			return "", err
		}
	}
	// Whoever took control meanwhile has confirmed nothing.
	if err := s.stillHeld(who); err != nil {
		return "", err
	}
	s.Runs.Open(rec)
	if _, err := s.bench(ctx).Station.StartWith(rec, to); err != nil {
		s.Runs.Discard(rec.ID)
		return "", s.inTheWay(err)
	}
	s.note(ctx, who, "start run", rec.ID, rec.Device.Key+" "+rec.Procedure.Key)
	return rec.ID, nil
}

// mayBegin refuses, before anything is asked of a person, what the station
// would refuse after.
func (s *Server) mayBegin() error {
	now := s.at().Station.Snapshot()
	switch {
	case now.Run != "":
		return run.ErrBusy
	case s.byHand.what() != "":
		return s.inTheWay(run.ErrBusy)
	case now.State == bench.Unknown:
		return run.UnknownError(now.Reason)
	}
	return nil
}

// mayUse refuses where somebody else holds control of the bench.
func (s *Server) mayUse(who lab.Person) error {
	now := s.at().Station.Snapshot()
	if now.Session != "" && now.Session != who.Session {
		return &run.HeldError{Name: now.Holder}
	}
	return nil
}

// stopRun ends a run. Stopping one that has ended is a conflict, not a fault.
func (s *Server) stopRun(ctx context.Context, who lab.Person, id string) error {
	if !s.bench(ctx).Station.StopRun(id, "stopped by "+who.Name) {
		if _, err := s.Store.GetRun(ctx, id); err != nil && !s.isManual(id) {
			return err
		}
		return problem.New(problem.Conflict, "This run is not at work any more.")
	}
	s.note(ctx, who, "stop run", id, "")
	return nil
}

// makeSafe makes the bench safe: anybody who is signed in may, at any time.
func (s *Server) makeSafe(ctx context.Context, who lab.Person) error {
	s.cardCheck.stop(errors.New("the bench was made safe by " + who.Name))
	err := s.bench(ctx).Station.MakeSafe(context.WithoutCancel(ctx), who.Name)
	s.note(ctx, who, "make safe", s.bench(ctx).Definition.Key, errText(err))
	if err != nil {
		return problem.New(problem.Upstream, sentence(notSafe(err)))
	}
	return nil
}

func errText(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

func (s *Server) takeControl(ctx context.Context, who lab.Person) error {
	take := s.bench(ctx).Station.Take
	if who.Role == store.Owner {
		take = s.bench(ctx).Station.TakeOver
	}
	before := s.bench(ctx).Station.Snapshot().Session
	if err := take(who.Name, who.Session); err != nil {
		return err
	}
	if before != who.Session {
		s.confirmed.forget()
	}
	s.note(ctx, who, "take control", s.bench(ctx).Definition.Key, "")
	return nil
}

func (s *Server) releaseControl(ctx context.Context, who lab.Person) error {
	s.letGo(who.Session)
	s.note(ctx, who, "release control", s.bench(ctx).Definition.Key, "")
	return nil
}

// letGo gives control up, if the session has it; what it confirmed goes with it.
func (s *Server) letGo(session string) {
	if s.at().Station.Snapshot().Session == session {
		s.confirmed.forget()
	}
	s.at().Station.Release(session)
}

// seat puts something on the rehearsal bench.
func (s *Server) seat(ctx context.Context, who lab.Person, q bench.Seating) error {
	s.socket.Lock()
	defer s.socket.Unlock()
	return s.seatLocked(ctx, who, q)
}

func (s *Server) seatLocked(ctx context.Context, who lab.Person, q bench.Seating) error {
	if s.bench(ctx).Rehearse == nil {
		return problem.New(problem.Conflict, "This is a real bench: parts are seated by hand.")
	}
	if err := s.mayUse(who); err != nil {
		return err
	}
	var ps dut.Problems
	checkLine(&ps, "serial", q.Serial, maxSerial)
	checkLine(&ps, "lot", q.Lot, maxSerial)
	if err := ps.Err(); err != nil {
		return err
	}
	if err := s.completeSeating(ctx, &q); err != nil {
		return err
	}
	if err := s.checkSeating(&q); err != nil {
		return err
	}
	if err := s.bench(ctx).Station.WhileIdle(func() error { return s.bench(ctx).Rehearse.Seat(q) }); err != nil {
		if errors.Is(err, run.ErrBusy) || errors.Is(err, run.ErrClosed) {
			return err
		}
		return problem.New(problem.Conflict, err.Error()) // the bench's own words: outputs on, or no operating point
	}
	if err := s.Store.SetSeating(ctx, s.bench(ctx).Definition.Key, q, who.Name); err != nil {
		return err
	}
	s.note(ctx, who, "seat", s.bench(ctx).Definition.Key, q.Model+" "+q.Serial)
	return nil
}

// completeSeating fills in what a device decides: the model, and where its
// pins are.
func (s *Server) completeSeating(ctx context.Context, q *bench.Seating) error {
	if q.Device == "" {
		if len(q.PinMap.Contacts) == 0 {
			q.PinMap = straightMap(s.bench(ctx).Rehearse.Models(), q.Model, s.bench(ctx).Definition.Key)
		}
		return nil
	}
	d, err := s.Store.GetDevice(ctx, q.Device, 0)
	if err != nil {
		return problem.Field("device", errText(err))
	}
	if q.Model == "" {
		q.Model = d.Body.Model
	}
	pm, err := s.Store.GetPinMap(ctx, q.Device, s.bench(ctx).Definition.Key, 0)
	if problem.CodeOf(err) == problem.NotFound {
		return problem.Field("device", "this device has no pin map for this bench yet")
	}
	if err == nil {
		q.PinMap = pm.Body
	}
	return err
}

// straightMap puts pin n of a model without a device on contact n.
func straightMap(models []bench.Model, key, benchKey string) bench.PinMap {
	pm := bench.PinMap{Bench: benchKey, Contacts: map[int]int{}}
	for _, m := range models {
		if m.Key == key {
			for p := 1; p <= m.Pins; p++ {
				pm.Contacts[p] = p
			}
		}
	}
	return pm
}

// seatFresh seats a unit for a run. The same serial number is the same unit.
func (s *Server) seatFresh(ctx context.Context, who lab.Person, rec *procedure.Record) error {
	if s.bench(ctx).Rehearse == nil {
		return nil
	}
	if rec.Device.Model == "" {
		return problem.Field("device", "this device has no rehearsal model to seat")
	}
	return s.seatLocked(ctx, who, bench.Seating{
		Device: rec.Device.Key, Serial: rec.Unit.Serial, Lot: rec.Unit.Lot, Model: rec.Device.Model,
		Seed: SeedOf(rec.Device.Key, rec.Unit.Serial),
	})
}

// SeedOf makes the seed of a rehearsed unit from its device and serial number,
// so that a unit can be seated again and a lot is spread.
func SeedOf(device, serial string) uint64 {
	h := fnv.New64a()
	_, _ = h.Write([]byte(device + "\x00" + serial))
	return h.Sum64() >> 11 // 53 bits: exact in JSON and in browsers
}

// seated is what sits on the rehearsal bench, or nil.
func (s *Server) seated(ctx context.Context) (*bench.Seating, error) {
	if s.bench(ctx).Rehearse == nil {
		return nil, nil
	}
	return KeptSeating(ctx, s.Store, s.bench(ctx).Definition.Key)
}

// KeptSeating is what was last put on a rehearsal bench, or nil.
func KeptSeating(ctx context.Context, kept *store.Store, benchKey string) (*bench.Seating, error) {
	row, err := kept.GetSeating(ctx, benchKey)
	if problem.CodeOf(err) == problem.NotFound {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var q bench.Seating
	if err := json.Unmarshal(row.Body, &q); err != nil {
		return nil, fmt.Errorf("seating of bench %s: %w", benchKey, err)
	}
	return &q, nil
}

// note writes a line into the log of who did what. A line that cannot be
// written is no reason to undo what was done.
func (s *Server) note(ctx context.Context, who lab.Person, action, subject, detail string) {
	err := s.Store.Log(context.WithoutCancel(ctx), store.Event{By: who.Name, Action: action, Subject: subject, Detail: detail})
	if err != nil {
		s.Log.Error("event not logged", "action", action, "err", err)
	}
}

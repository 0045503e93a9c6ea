package lab

import (
	"context"
	"fmt"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
)

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

func (q *StartRequest) check() error {
	var ps dut.Problems
	CheckLine(&ps, "serial", q.Serial, MaxSerial)
	CheckLine(&ps, "lot", q.Lot, MaxSerial)
	CheckNote(&ps, q.Note)
	if q.Device == "" {
		ps.Add("device", "choose a device")
	}
	if q.Procedure == "" {
		ps.Add("procedure", "choose a procedure")
	}
	return ps.Err()
}

// Start starts a stored procedure on the bench and returns the run's id.
func (l *Lab) Start(ctx context.Context, b *Bench, who Person, q StartRequest) (string, error) {
	release, err := l.hold(b)
	if err != nil {
		return "", err
	}
	defer release()
	return l.startLocked(ctx, b, who, q)
}

func (l *Lab) startLocked(ctx context.Context, b *Bench, who Person, q StartRequest) (string, error) {
	q.Serial, q.Lot = strings.TrimSpace(q.Serial), strings.TrimSpace(q.Lot)
	if err := q.check(); err != nil {
		return "", err
	}
	device, err := l.Store.GetDevice(ctx, q.Device, 0)
	if problem.CodeOf(err) == problem.NotFound || err == nil && device.Removed {
		return "", problem.Field("device", fmt.Sprintf("there is no device %q", q.Device))
	}
	if err != nil {
		return "", err
	}
	proc, err := l.Store.GetProcedure(ctx, q.Procedure, 0)
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
		if err := l.checkedFirst(ctx, b, rec, q.Acknowledge); err != nil {
			return "", err
		}
		if err := l.seatFresh(ctx, b, who, rec); err != nil {
			return "", err
		}
	}
	return l.launchLocked(ctx, b, who, rec, launch{acknowledge: q.Acknowledge, confirm: q.Confirm})
}

// launch is how a run is started: what a person declares with it, and what is
// done with it.
type launch struct {
	acknowledge []string     // warnings that are known of
	confirm     []string     // what has been seen to at the bench
	to          run.Recorder // keeps the run; nil: where the station keeps its runs
	// begun is called when the start has succeeded, before the run sets,
	// switches or reads anything; it may be nil.
	begun func()
}

// launch completes a record and hands it to the station.
func (l *Lab) launch(ctx context.Context, b *Bench, who Person, rec *procedure.Record, how launch) (string, error) {
	release, err := l.hold(b)
	if err != nil {
		return "", err
	}
	defer release()
	return l.launchLocked(ctx, b, who, rec, how)
}

func (l *Lab) launchLocked(ctx context.Context, b *Bench, who Person, rec *procedure.Record, how launch) (string, error) {
	if err := b.mayUse(who); err != nil {
		return "", err
	}
	rev, err := l.complete(ctx, b, who, rec)
	if err != nil {
		return "", err
	}
	if _, err := run.Check(rec); err != nil { // what cannot work is said before, not during
		return "", err
	}
	if err := l.checked(ctx, b, rec, how.acknowledge); err != nil {
		return "", err
	}
	if err := b.mayBegin(); err != nil {
		return "", err
	}
	rec.Confirmed, err = l.Confirm(ctx, b, who, how.confirm, Occasion{Device: &rec.Device, DeviceRev: rec.DeviceRev, PinMap: &rec.PinMap, Rev: rev})
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
	if err := b.stillHeld(who); err != nil {
		return "", err
	}
	l.Live.Open(rec)
	if _, err := b.Station.StartWith(rec, how.to, how.begun); err != nil {
		l.Live.Discard(rec.ID)
		return "", b.inTheWay(err)
	}
	l.Note(ctx, who, "start run", rec.ID, rec.Device.Key+" "+rec.Procedure.Key)
	return rec.ID, nil
}

// complete puts into a record what the bench decides: the pin map, whose
// revision it returns, the bench itself and what sits on it.
func (l *Lab) complete(ctx context.Context, b *Bench, who Person, rec *procedure.Record) (rev int, err error) {
	pm, rev, err := l.pinMap(ctx, b, rec.Device.Key)
	if problem.CodeOf(err) == problem.NotFound {
		return 0, problem.Field("device", "this device has no pin map for this bench yet")
	}
	if err != nil {
		return 0, err
	}
	if err := rec.Procedure.Validate(&rec.Device); err != nil {
		return 0, err
	}
	seated, err := l.Seated(ctx, b)
	if err != nil {
		return 0, err
	}
	known, err := l.Known(ctx, b)
	if err != nil {
		return 0, err
	}
	rec.PinMap, rec.Identity = *pm, b.Identity()
	rec.Rehearsal = rec.Identity.Rehearsal
	rec.Operator, rec.Status, rec.Started = who.Name, procedure.Running, l.Now()
	rec.Bench = *known.Corrected(known.Corrections, rec.Started)
	if seated != nil {
		rec.Seated = seated
	}
	return rev, nil
}

// PrePower checks a procedure before power on this bench as it is known, with the
// device's pin map.
func (l *Lab) PrePower(ctx context.Context, b *Bench, d *dut.Device, p *procedure.Procedure) (procedure.CheckReport, error) {
	pm, err := l.PinMapOf(ctx, b, d.Key)
	if err != nil {
		return procedure.CheckReport{}, err
	}
	return l.prePower(ctx, b, d, p, pm)
}

// prePower is PrePower with a pin map; nil stands for none.
func (l *Lab) prePower(ctx context.Context, b *Bench, d *dut.Device, p *procedure.Procedure, pm *bench.PinMap) (procedure.CheckReport, error) {
	known, err := l.Known(ctx, b)
	if err != nil {
		return procedure.CheckReport{}, err
	}
	return procedure.PrePower(procedure.CheckInput{Device: d, Procedure: p, PinMap: pm, Bench: known}), nil
}

// PinMapOf is the device's pin map on the bench, nil where there is none.
func (l *Lab) PinMapOf(ctx context.Context, b *Bench, device string) (*bench.PinMap, error) {
	pm, _, err := l.pinMap(ctx, b, device)
	if problem.CodeOf(err) == problem.NotFound {
		return nil, nil
	}
	return pm, err
}

// checkedFirst checks before a part is put into the socket, so that a start that
// is refused leaves in it what was there. A device without a pin map is refused
// by the seating.
func (l *Lab) checkedFirst(ctx context.Context, b *Bench, rec *procedure.Record, names []string) error {
	pm, err := l.PinMapOf(ctx, b, rec.Device.Key)
	if err != nil || pm == nil {
		return err
	}
	if err := rec.Procedure.Validate(&rec.Device); err != nil {
		return err
	}
	probe := *rec
	probe.PinMap = *pm
	return l.checked(ctx, b, &probe, names)
}

// checked holds a start against the check before power: errors block it, and
// warnings until they are acknowledged by name. It keeps with the record what was
// acknowledged. By hand a person does one measurement at a time and looks at
// it: there only errors count. The error's detail is the findings in the way.
func (l *Lab) checked(ctx context.Context, b *Bench, rec *procedure.Record, names []string) error {
	report, err := l.prePower(ctx, b, &rec.Device, &rec.Procedure, &rec.PinMap)
	if err != nil {
		return err
	}
	if errors := report.Errors(); len(errors) > 0 {
		return &problem.Error{Code: problem.Conflict, Title: "The check before power found errors",
			Message: errors[0].Message, Detail: errors}
	}
	if rec.Manual {
		return nil
	}
	if open := report.Unacknowledged(names); len(open) > 0 {
		return &problem.Error{Code: problem.Conflict, Title: "Warnings of the check before power are not acknowledged",
			Message: "acknowledge " + open[0].Name() + ": " + open[0].Message, Detail: open}
	}
	rec.Acknowledged = report.Warnings()
	return nil
}

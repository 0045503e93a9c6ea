package lab

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// What people do with procedures.

// deviceOf returns the device that a procedure is for. One that is not there,
// or not any more, is a fault of the field; without says it.
func (l *Lab) deviceOf(ctx context.Context, p *procedure.Procedure, without string) (*store.Revised[dut.Device], error) {
	d, err := l.Store.GetDevice(ctx, p.Device, 0)
	if problem.CodeOf(err) == problem.NotFound || err == nil && d.Removed {
		return nil, problem.Field("device", without)
	}
	return d, err
}

// SaveProcedure stores a whole procedure, where it makes sense for its device,
// and returns its revision. expected is the revision that the edit started
// from, 0 for a new one; Conflict where it is not the latest.
func (l *Lab) SaveProcedure(ctx context.Context, who Person, p procedure.Procedure, expected int) (int, error) {
	d, err := l.deviceOf(ctx, &p, "there is no device of this key")
	if err != nil {
		return 0, err
	}
	if err := p.Validate(&d.Body); err != nil {
		return 0, err
	}
	if _, err := l.UnderItsKey(ctx, &p); err != nil {
		return 0, err
	}
	return l.EditProcedure(ctx, who, p, expected)
}

// WithTimes returns the procedure with the times that its document leaves out, as
// the bench needs them. A device that is not there has none: storing the procedure
// says so.
func (l *Lab) WithTimes(ctx context.Context, b *Bench, p procedure.Procedure, left []procedure.LeftOut) (procedure.Procedure, error) {
	if !slices.ContainsFunc(left, procedure.LeftOut.Any) {
		return p, nil
	}
	d, err := l.Store.GetDevice(ctx, p.Device, 0)
	if problem.CodeOf(err) == problem.NotFound {
		return p, nil
	}
	if err != nil {
		return p, err
	}
	p = p.Clone()
	for i := range p.Measurements[:min(len(left), len(p.Measurements))] {
		if err := l.TakeTimes(ctx, b, &d.Body, &p.Measurements[i], left[i]); err != nil {
			return p, err
		}
	}
	return p, nil
}

// TakeTimes gives a measurement of a device the times that were left out, as the
// bench needs them.
func (l *Lab) TakeTimes(ctx context.Context, b *Bench, d *dut.Device, m *procedure.Measurement, left procedure.LeftOut) error {
	if !left.Any() {
		return nil
	}
	pm, err := l.PinMapOf(ctx, b, d.Key)
	if err == nil {
		m.TakeTimes(left, d, pm, &b.Definition)
	}
	return err
}

// UnderItsKey returns the procedure that a procedure's key has already, which
// may have been deleted; nil where there is none. A key that belongs to a
// procedure for another device is a fault of the field device.
func (l *Lab) UnderItsKey(ctx context.Context, p *procedure.Procedure) (*store.Revised[procedure.Procedure], error) {
	now, err := l.Store.GetProcedure(ctx, p.Key, 0)
	switch {
	case problem.CodeOf(err) == problem.NotFound:
		return nil, nil
	case err != nil:
		return nil, err
	case now.Body.Device != p.Device:
		return nil, problem.Field("device", "procedure "+p.Key+" is for "+now.Body.Device+" here: give the document another key")
	}
	return now, nil
}

// EditProcedure stores one step of an edit and returns the revision; expected
// as for SaveProcedure. The whole need not make sense yet, so that it can be
// mended step by step: the editor lists what is wrong, and the check before
// power keeps it from being run.
func (l *Lab) EditProcedure(ctx context.Context, who Person, p procedure.Procedure, expected int) (int, error) {
	rev, err := l.Store.SaveProcedure(ctx, p, expected, who.Name)
	if err == nil && rev != expected {
		l.Note(ctx, who, "edit procedure", p.Key, "revision "+strconv.Itoa(rev))
	}
	return rev, err
}

// AddProcedure stores a new procedure and returns its key: that of p, or that
// with the first number behind it that no procedure ever had.
func (l *Lab) AddProcedure(ctx context.Context, who Person, p procedure.Procedure) (string, error) {
	d, err := l.deviceOf(ctx, &p, "choose a device")
	if err != nil {
		return "", err
	}
	wanted := p.Key
	if wanted == "" {
		wanted = "procedure"
	}
	for n := 1; n < 1000; n++ {
		p.Key = wanted
		if n > 1 {
			p.Key = fmt.Sprintf("%s-%d", strings.TrimRight(wanted[:min(len(wanted), 58)], "-"), n)
		}
		if _, err := l.Store.GetProcedure(ctx, p.Key, 0); problem.CodeOf(err) != problem.NotFound {
			if err != nil {
				return "", err
			}
			continue // taken, or was once
		}
		if err := p.Validate(&d.Body); err != nil {
			return "", err
		}
		_, err := l.EditProcedure(ctx, who, p, 0)
		if problem.CodeOf(err) == problem.Conflict {
			continue // taken this very moment
		}
		return p.Key, err
	}
	return "", problem.New(problem.Conflict, "Too many procedures have that name.")
}

// DeleteProcedure takes a procedure out of the lists.
func (l *Lab) DeleteProcedure(ctx context.Context, who Person, key string) error {
	if err := l.Store.DeleteProcedure(ctx, key); err != nil {
		return err
	}
	l.Note(ctx, who, "delete procedure", key, "")
	return nil
}

// UndoProcedure stores the revision before rev, the latest, as a new one. It
// returns the procedure of that revision, also where it was not stored.
func (l *Lab) UndoProcedure(ctx context.Context, who Person, key string, rev int) (*procedure.Procedure, error) {
	old, err := undone(rev)
	if err != nil {
		return nil, err
	}
	return l.BringBackProcedure(ctx, who, key, old, rev)
}

// BringBackProcedure stores an old revision of a procedure as a new one;
// expected as for SaveProcedure. It returns the procedure of the old revision,
// also where it was not stored, and nil where there is none.
func (l *Lab) BringBackProcedure(ctx context.Context, who Person, key string, old, expected int) (*procedure.Procedure, error) {
	if err := named(old); err != nil {
		return nil, err
	}
	p, err := l.Store.GetProcedure(ctx, key, old)
	if err != nil {
		return nil, err
	}
	_, err = l.EditProcedure(ctx, who, p.Body, expected)
	return &p.Body, err
}

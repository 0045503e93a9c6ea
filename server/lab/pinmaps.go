package lab

import (
	"context"
	"fmt"
	"strconv"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
)

// What people do with the pin maps of devices.

// SavePinMap stores the pin map of a device on a bench, where it fits both as
// they are now, and returns its revision. expected is the revision that the
// edit started from, 0 for a new one; Conflict where it is not the latest.
func (l *Lab) SavePinMap(ctx context.Context, who Person, on *bench.Definition, m bench.PinMap, expected int) (int, error) {
	device, err := l.Store.GetDevice(ctx, m.Device, 0)
	if err == nil && device.Removed {
		err = problem.NoSuch("device of this key any more")
	}
	if err != nil {
		return 0, err
	}
	if m.Bench != on.Key {
		return 0, problem.Field("bench", fmt.Sprintf("is %q, but the contacts are those of %q", dut.Excerpt(m.Bench), on.Key))
	}
	pins := make([]int, len(device.Body.Pins))
	for i, p := range device.Body.Pins {
		pins[i] = p.Number
	}
	if err := m.Validate(on, pins); err != nil {
		return 0, err
	}
	return l.keepPinMap(ctx, who, m, expected, "edit pin map", m.Bench)
}

// keepPinMap stores a revision of a pin map and notes it, where it is another
// one than expected: what has not changed makes none.
func (l *Lab) keepPinMap(ctx context.Context, who Person, m bench.PinMap, expected int, action, detail string) (int, error) {
	rev, err := l.Store.SavePinMap(ctx, m, expected, who.Name)
	if err == nil && rev != expected {
		l.Note(ctx, who, action, m.Device, detail)
	}
	return rev, err
}

// proposePinMap stores a pin map made from a device's package. One with a clash
// is stored as well, since the pin map's page tells of it.
func (l *Lab) proposePinMap(ctx context.Context, b *Bench, who Person, d *dut.Device) error {
	pm, _, err := bench.Propose(&b.Definition, d)
	if len(pm.Contacts) == 0 {
		return err
	}
	expected := 0
	if old, err := l.Store.GetPinMap(ctx, d.Key, b.Definition.Key, 0); err == nil {
		expected = old.Rev
	}
	rev, err := l.Store.SavePinMap(ctx, pm, expected, who.Name)
	if err != nil {
		return err
	}
	l.Note(ctx, who, "propose pin map", d.Key, b.Definition.Key+", revision "+strconv.Itoa(rev))
	return nil
}

// DeletePinMap takes the pin map of a device on a bench out of the lists.
func (l *Lab) DeletePinMap(ctx context.Context, who Person, device, on string) error {
	if err := l.Store.DeletePinMap(ctx, device, on); err != nil {
		return err
	}
	l.Note(ctx, who, "delete pin map", device, on)
	return nil
}

// BringBackPinMap stores an old revision of a pin map as a new one; expected as
// for SavePinMap. It comes back as it was, also where the device or the bench
// is another one since: its page tells what does not fit.
func (l *Lab) BringBackPinMap(ctx context.Context, who Person, device, on string, old, expected int) error {
	if old < 1 {
		return problem.New(problem.Conflict, "There is no revision to bring back.")
	}
	pm, err := l.Store.GetPinMap(ctx, device, on, old)
	if err != nil {
		return err
	}
	_, err = l.keepPinMap(ctx, who, pm.Body, expected, "bring back pin map", "revision "+strconv.Itoa(old))
	return err
}

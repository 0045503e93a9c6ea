package lab

import (
	"cmp"
	"context"
	"fmt"
	"strconv"

	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
)

// What people do with descriptions of devices.

// DeletedDevice is the log's word for a device that was deleted.
const DeletedDevice = "delete device"

// reservedDevice tells a key that no device may have: another page's address would
// hide it, or it stands for the socket's contacts.
func reservedDevice(key string) bool { return key == "new" || key == BareContacts }

// CheckDeviceKey adds a problem where a new device cannot have a key.
func CheckDeviceKey(ps *dut.Problems, key string) {
	if reservedDevice(key) {
		ps.Add("key", "%q is taken by the program itself: choose another key", key)
	}
}

// FreeDeviceKey is key, or key with the first number behind it that no device
// has.
func (l *Lab) FreeDeviceKey(ctx context.Context, key string) (string, error) {
	return freeKey(cmp.Or(key, "device"), "devices", reservedDevice, func(key string) error {
		_, err := l.Store.GetDevice(ctx, key, 0)
		return err
	})
}

// SaveDevice stores a device after everything was checked, and returns its
// revision. expected is the revision that the edit started from, 0 for a new
// device; Conflict where it is not the latest.
func (l *Lab) SaveDevice(ctx context.Context, who Person, d dut.Device, expected int) (int, error) {
	action := "edit device"
	if expected == 0 {
		action = "describe device"
		var ps dut.Problems
		CheckDeviceKey(&ps, d.Key)
		if err := ps.Err(); err != nil {
			return 0, err
		}
	}
	return l.keepDevice(ctx, who, d, expected, action, "")
}

// EditDevice stores an edit of a device that there is, as SaveDevice does. One
// that was deleted meanwhile is a Conflict, unless revive says that it is wanted
// back.
func (l *Lab) EditDevice(ctx context.Context, who Person, d dut.Device, expected int, revive bool) (int, error) {
	now, err := l.Store.GetDevice(ctx, d.Key, 0)
	if err == nil {
		err = mayEdit("device", now.Removed, revive)
	}
	if err != nil {
		return 0, err
	}
	return l.SaveDevice(ctx, who, d, expected)
}

// keepDevice stores a revision of a device and notes it, where it is another
// one than expected: what has not changed makes none.
func (l *Lab) keepDevice(ctx context.Context, who Person, d dut.Device, expected int, action, detail string) (int, error) {
	rev, err := l.Store.SaveDevice(ctx, d, expected, who.Name)
	if err == nil && rev != expected {
		l.Note(ctx, who, action, d.Key, detail)
	}
	return rev, err
}

// DescribeDevice stores a new device, with a pin map for a bench that is made
// from its package. A pin map that cannot be made is no reason to lose the
// device.
func (l *Lab) DescribeDevice(ctx context.Context, b *Bench, who Person, d dut.Device) error {
	if _, err := l.SaveDevice(ctx, who, d, 0); err != nil {
		return err
	}
	if err := l.proposePinMap(ctx, b, who, &d); err != nil {
		l.Log.Warn("no pin map proposed", "device", d.Key, "err", err)
	}
	return nil
}

// DuplicateDevice stores a copy of a device under another key and name, with
// its pin map on a bench. copied is false where nothing was stored.
func (l *Lab) DuplicateDevice(ctx context.Context, b *Bench, who Person, d dut.Device, key, name string) (copied bool, err error) {
	rev, err := l.Store.SaveDevice(ctx, d.Duplicate(key, name), 0, who.Name)
	if err != nil {
		return false, err
	}
	l.Note(ctx, who, "duplicate device", key, fmt.Sprintf("%s, revision %d", d.Key, rev))
	pm, err := l.Store.GetPinMap(ctx, d.Key, b.Definition.Key, 0)
	switch {
	case problem.CodeOf(err) == problem.NotFound || err == nil && pm.Removed:
		return true, nil
	case err != nil:
		return true, err
	}
	pm.Body.Device = key
	_, err = l.Store.SavePinMap(ctx, pm.Body, 0, who.Name)
	return true, err
}

// DeleteDevice takes a device out of the lists. Conflict where procedures are
// written for it.
func (l *Lab) DeleteDevice(ctx context.Context, who Person, key string) error {
	if err := l.Store.DeleteDevice(ctx, key); err != nil {
		return err
	}
	l.Note(ctx, who, DeletedDevice, key, "")
	return nil
}

// UndoDevice stores the revision before rev, the latest, as a new one.
func (l *Lab) UndoDevice(ctx context.Context, who Person, key string, rev int) error {
	old, err := undone(rev)
	if err != nil {
		return err
	}
	return l.BringBackDevice(ctx, who, key, old, rev)
}

// BringBackDevice stores an old revision of a device as a new one; expected as
// for SaveDevice.
func (l *Lab) BringBackDevice(ctx context.Context, who Person, key string, old, expected int) error {
	if err := named(old); err != nil {
		return err
	}
	d, err := l.Store.GetDevice(ctx, key, old)
	if err != nil {
		return err
	}
	_, err = l.keepDevice(ctx, who, d.Body, expected, "bring back device", "revision "+strconv.Itoa(old))
	return err
}

package store

import (
	"context"

	"ohmkeep/server/dut"
)

var devices = &documentKind[dut.Device]{
	name: "device", heads: "devices", revisions: "device_revisions", columns: []string{"model"},
	head:  func(d *dut.Device) (string, string, []any) { return d.Key, d.Name, []any{d.Model} },
	check: func(d *dut.Device) error { return d.Validate() },
}

// SaveDevice stores a new revision of a device and returns its number.
// Expected is the revision that the edit started from, 0 for a new device;
// where it is not the latest, Conflict. An invalid device is Invalid and wraps
// dut.Problems.
func (s *Store) SaveDevice(ctx context.Context, d dut.Device, expected int, by string) (int, error) {
	return save(ctx, s, devices, &d, expected, by)
}

// GetDevice returns a revision of a device, 0 for the latest.
func (s *Store) GetDevice(ctx context.Context, key string, rev int) (*Revised[dut.Device], error) {
	return get(ctx, s, devices, key, rev)
}

// ListDevices returns the latest revision of every device, by name.
func (s *Store) ListDevices(ctx context.Context) ([]Revised[dut.Device], error) {
	return list(ctx, s, devices, "TRUE")
}

// DeviceRevisions lists a device's revisions, newest first.
func (s *Store) DeviceRevisions(ctx context.Context, key string) ([]Revision, error) {
	return history(ctx, s, devices, key)
}

// DeleteDevice takes a device out of the lists; its revisions stay for the
// runs that used them. Conflict where procedures are still written for it.
func (s *Store) DeleteDevice(ctx context.Context, key string) error {
	return remove(ctx, s, devices, key, func(t *tx) error {
		var n int
		if err := t.row("SELECT count(*) FROM procedures WHERE device = ? AND removed IS NULL", key).Scan(&n); err != nil {
			return err
		}
		if n > 0 {
			return errorf(Conflict, "procedures are written for this device (%d): delete them first", n)
		}
		return nil
	})
}

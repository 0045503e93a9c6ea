package store

import (
	"context"
	"database/sql"
	"encoding/json"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// DeviceHead is a device as lists to choose from need it, without its pins.
type DeviceHead struct {
	Key, Name string
	Model     string // of the rehearsal; "" without one
}

// ProcedureHead is a procedure as lists to choose from need it.
type ProcedureHead struct {
	Key, Name          string
	Device, DeviceName string
}

// DeviceHeads lists every device, by name.
func (s *Store) DeviceHeads(ctx context.Context) ([]DeviceHead, error) {
	return s.deviceHeads(ctx, "")
}

// MappedDevices lists the devices that have a pin map on a bench, by name.
func (s *Store) MappedDevices(ctx context.Context, benchKey string) ([]DeviceHead, error) {
	return s.deviceHeads(ctx, ` AND EXISTS (SELECT 1 FROM pin_maps m WHERE m.device = h.key AND m.bench = ? AND m.removed IS NULL)`, benchKey)
}

func (s *Store) deviceHeads(ctx context.Context, and string, args ...any) (out []DeviceHead, err error) {
	err = s.rows(ctx, `SELECT key, name, model FROM devices h WHERE removed IS NULL`+and+` ORDER BY name, key`, args, func(r *sql.Rows) error {
		var d DeviceHead
		err := r.Scan(&d.Key, &d.Name, &d.Model)
		out = append(out, d)
		return err
	})
	return out, wrap("list devices", err)
}

// ProcedureHeads lists every procedure, by its device's name and its own.
func (s *Store) ProcedureHeads(ctx context.Context) (out []ProcedureHead, err error) {
	err = s.rows(ctx, `SELECT p.key, p.name, p.device, d.name FROM devices d CROSS JOIN procedures p ON p.device = d.key
		WHERE p.removed IS NULL ORDER BY d.name, p.name, p.key`, nil, func(r *sql.Rows) error {
		var p ProcedureHead
		err := r.Scan(&p.Key, &p.Name, &p.Device, &p.DeviceName)
		out = append(out, p)
		return err
	})
	return out, wrap("list procedures", err)
}

// DevicePage returns the latest revisions of at most limit devices, by name,
// after the device of a key ("" for the first), and the key that the next page
// comes after, "" on the last.
func (s *Store) DevicePage(ctx context.Context, after string, limit int) ([]Revised[dut.Device], string, error) {
	return listPage(ctx, s, devices, after, limit, "TRUE")
}

// ProcedurePage returns the latest revisions of at most limit procedures for a
// device (of all where it is empty), by name, as DevicePage does.
func (s *Store) ProcedurePage(ctx context.Context, device, after string, limit int) ([]Revised[procedure.Procedure], string, error) {
	if device == "" {
		return listPage(ctx, s, procedures, after, limit, "TRUE")
	}
	return listPage(ctx, s, procedures, after, limit, "h.device = ?", device)
}

// ProceduresOf returns the latest revision of every procedure for these
// devices, by name.
func (s *Store) ProceduresOf(ctx context.Context, devices []string) ([]Revised[procedure.Procedure], error) {
	keys, err := json.Marshal(devices)
	if err != nil {
		return nil, err
	}
	return list(ctx, s, procedures, "h.device IN (SELECT value FROM json_each(?))", string(keys))
}

// DeviceUse is the number of procedures and runs of a device.
type DeviceUse struct{ Procedures, Runs int }

// DeviceUses counts the procedures and the runs of these devices, by key; a
// device that is not used may be missing.
func (s *Store) DeviceUses(ctx context.Context, devices []string) (map[string]DeviceUse, error) {
	keys, err := json.Marshal(devices)
	if err != nil {
		return nil, err
	}
	out := map[string]DeviceUse{}
	err = s.rows(ctx, `SELECT value, (SELECT count(*) FROM procedures WHERE device = value AND removed IS NULL),
		coalesce((SELECT n FROM counts WHERE what = 'device' AND which = value), 0) FROM json_each(?)`, []any{string(keys)},
		func(r *sql.Rows) error {
			var key string
			var use DeviceUse
			err := r.Scan(&key, &use.Procedures, &use.Runs)
			out[key] = use
			return err
		})
	return out, wrap("device uses", err)
}

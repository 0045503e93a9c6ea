package store

import (
	"database/sql"
	"database/sql/driver"
	"encoding/json"
)

// asJSON is the adapter of a value that a column stores as JSON. nil is
// written as NULL, and reading NULL leaves the value unchanged.
type asJSON struct{ v any }

func (j asJSON) Value() (driver.Value, error) {
	if j.v == nil {
		return nil, nil
	}
	body, err := json.Marshal(j.v)
	if err != nil {
		return nil, &Error{Code: Invalid, Message: "a value of the run cannot be stored", Err: err}
	}
	return string(body), nil
}

func (j asJSON) Scan(v any) error {
	var text sql.NullString
	if err := text.Scan(v); err != nil || !text.Valid {
		return err
	}
	return json.Unmarshal([]byte(text.String), j.v)
}

// rawJSON is the scanner of a JSON column that is passed on undecoded, as a
// json.RawMessage; nil for NULL.
type rawJSON struct{ v *any }

func (j rawJSON) Scan(v any) error {
	var text sql.NullString
	err := text.Scan(v)
	*j.v = nil
	if text.Valid {
		*j.v = json.RawMessage(text.String)
	}
	return err
}

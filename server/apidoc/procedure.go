package apidoc

import (
	"bytes"
	"encoding/json"
	"maps"
	"reflect"
	"slices"

	"ohmkeep/server/procedure"
)

// procedureStyle is that of a procedure's own document: people write it, so it
// says no formats, and the tables of package procedure say which fields must be
// there and what a field may hold.
var procedureStyle = style{
	prefix: "#/$defs/",
	plain:  true,
	required: func(owner reflect.Type, name, _ string) bool {
		return slices.Contains(procedure.Required[owner.Name()], name)
	},
	finish: finishProcedure,
}

// finishProcedure adds the words and rules of a type's fields.
func finishProcedure(t reflect.Type, x *Schema) {
	words, rules := procedure.FieldWords(), procedure.FieldRules()
	x.Required = procedure.Required[t.Name()] // in the order of the table
	for name, p := range x.Properties {
		at := t.Name() + "." + name
		if words[at] != "" {
			p.Description = words[at]
		}
		p.Enum = slices.Clone(p.Enum) // the words of a type are shared; a rule writes over them
		b, err := json.Marshal(rules[at])
		if err == nil && rules[at] != nil {
			err = json.Unmarshal(b, p)
		}
		if err != nil {
			panic("apidoc: rules of " + at + ": " + err.Error())
		}
	}
}

// Procedure is the JSON Schema of the document that procedure.Canonical writes
// and procedure.ParseProcedure reads, made from the types themselves and the
// fields of the kinds. It says what is well formed; whether a procedure makes
// sense for a device is for Validate. The bytes are always the same.
func (ts *Types) Procedure() []byte {
	m := ts.newMaker(procedureStyle)
	root := *m.resolve(m.Of(reflect.TypeFor[procedure.Procedure]()))
	low, high := 1.0, float64(procedure.Format)
	root.Properties = maps.Clone(root.Properties)
	root.Properties["format"] = &Schema{Type: JSONTypes{"integer"}, Minimum: &low, Maximum: &high, Default: 1,
		Description: "number of the document format; a newer one is refused"}
	root.Dialect, root.ID, root.Title = dialect2020, procedure.SchemaID, "Procedure"
	root.Description = "The ordered list of measurements for a device. Values are in SI base units: volts, amperes, ohms, seconds; temperatures in degrees Celsius."
	root.Defs = maps.Clone(m.Components)
	delete(root.Defs, "Procedure")
	b, err := sortedJSON(root)
	if err != nil {
		panic("apidoc: schema of a procedure: " + err.Error())
	}
	return b
}

// sortedJSON writes a schema for people: indented, its keywords in the order of
// their names, numbers as they are.
func sortedJSON(x Schema) ([]byte, error) {
	b, err := json.Marshal(x)
	if err != nil {
		return nil, err
	}
	var tree any
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.UseNumber()
	if err := dec.Decode(&tree); err != nil {
		return nil, err
	}
	b, err = json.MarshalIndent(tree, "", "  ")
	return append(b, '\n'), err
}

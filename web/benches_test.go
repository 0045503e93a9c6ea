package web

import (
	"net/url"
	"strings"
	"testing"

	"github.com/a-h/templ"

	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/dut"
)

// deskBench is a bench of one's own whose names are hostile.
func deskBench() bench.Definition {
	d := sampleBench()
	d.Key, d.Name = "desk", hostile
	d.Channels[0].Name = hostile
	d.Connections = []bench.Connection{{Name: hostile, Cards: []int{1, 2}, Address: "serial:///dev/ttyACM0", Timeout: 1, Serial: hostile, Commands: bench.Commands{Safe: hostile}}}
	return d
}

// benchSamples are the pages of benches with everything that they can show.
func benchSamples() map[string]templ.Component {
	def := deskBench()
	row := BenchListRow{Key: "desk", Name: def.Name, Channels: 2, Contacts: 24, Connections: def.Connections, Rev: 3, At: sampleTime, By: hostile, InUse: true, State: bench.Unknown, Newer: true}
	health := []cardinfo.Health{
		{Connection: hostile, Address: "serial:///dev/ttyACM0", Condition: cardinfo.Refused, Since: sampleTime, Reason: hostile, Remedy: hostile, Model: hostile, Serial: "7", Tries: 3},
		{Connection: "b", Address: "tcp://192.0.2.7:5025", Condition: cardinfo.Ready}, {Connection: "c", Condition: cardinfo.Connecting}, {Connection: "d", Condition: cardinfo.Lost},
	}
	changes := []dut.Change{{What: hostile, Before: "a", After: hostile}}
	use := UseProps{Offered: true}
	wrong := Form{ID: "bench", Values: url.Values{"name": {hostile}, "connName": {hostile}, "connAddress": {"nowhere"}, "chanID": {"1"}, "chanName": {hostile}, "rangeOf": {"all"}, "rangeFunction": {"senseI"}, "paths": {hostile}},
		Errors: map[string]string{"name": hostile, "connections[0].address": "write tcp://host:port", "channels[0].name": "two are called so", "ranges[0].gain": "write a part", "paths": "too many", "ruleTo": "the contacts go from 1 to 24", "ranges": "1A senses voltage: must be 1 to 16 ranges"}}
	texts := []DialectText{{Name: "read", Title: "Read", Field: "text-read", Own: "READ? {channels}", Places: []string{"channel", "channels"}, Message: true, Sends: "READ? (@1)"}, {Name: "fields", Title: "What a reading brings", Field: "text-fields", Own: "v,i"}}
	said := []SaidRow{{By: "owner", At: sampleTime, Exchange: cardinfo.Exchange{Connection: hostile, Sent: hostile, Answers: []string{hostile}, Errors: []string{hostile}}, MadeSafe: true}}
	page := func(title string) Page { return samplePage("/bench", title) }
	return map[string]templ.Component{
		"benches":          Benches(BenchesProps{Page: page("Benches"), Rows: []BenchListRow{row, {Key: "rehearsal", Name: "Rehearsal bench", Rehearsal: true}}, Health: health, Use: use, CanEdit: true, Problem: hostile}),
		"benches-viewer":   Benches(BenchesProps{Page: page("Benches"), Rows: []BenchListRow{row}, Use: UseProps{Offered: true, Reason: "Take control first."}}),
		"benches-unknown":  Benches(BenchesProps{Page: page("Benches"), Rows: []BenchListRow{row, {Key: "rehearsal", Name: "Rehearsal bench", Rehearsal: true}}, Use: UseProps{Offered: true, PowerOff: true}}),
		"bench-definition": BenchDefinition(BenchDefinitionProps{Page: page("Bench"), Row: row, Def: def, Health: health, Use: use, Changes: changes, CanEdit: true, CanDelete: true, CanUndo: true, Copy: Form{ID: "copy", Errors: map[string]string{"name": "give it a name"}}}),
		"bench-removed":    BenchDefinition(BenchDefinitionProps{Page: page("Bench"), Row: BenchListRow{Key: "x", Rehearsal: true}, Def: def, Removed: true, CanEdit: true}),
		"bench-import":     BenchImport(BenchImportProps{Page: page("Import"), Form: Form{ID: "import", Values: url.Values{"document": {hostile}}, Errors: map[string]string{"document": hostile}}, Problems: []Problem{{Field: hostile, Message: hostile}}, Ready: true, Def: def, Rev: 2, Stale: true, Changes: changes, Look: []Problem{{Field: "paths", Message: "look"}}}),
		"bench-new":        BenchNew(BenchNewProps{Page: page("New"), Form: Form{ID: "new", Values: url.Values{"newScales": {hostile}}, Errors: map[string]string{"name": "give it a name", "functions[1].scales": "enter it", "addresses": "write one"}}}),
		"bench-edit": BenchEdit(BenchEditProps{Page: page("Edit"), Form: wrong, Key: "desk", Rev: 3, InUse: true, Def: def, Stored: def.Connections, Conflict: &Conflict{By: hostile, At: sampleTime, Rev: 4, Theirs: changes, Mine: changes, Form: "bench-form"},
			Findings: []Finding{{ID: "bench-name", Message: hostile}}, PathNotes: []LineNote{{3, hostile}, {0, "too long"}}, PathColumns: []PathColumnRead{{"Line", "line"}, {hostile, ""}}, PathSplit: "tabs", Made: 12}),
		"bench-edit-bare": BenchEdit(BenchEditProps{Page: page("Edit"), Form: Form{ID: "bench"}, Key: "desk"}),
		"bench-dialect":   Dialect(DialectProps{Page: page("Dialect"), Key: "desk", Bench: hostile, Connection: hostile, Form: Form{ID: "dialect", Values: url.Values{"text-read": {hostile}}, Errors: map[string]string{"text-read": hostile}}, Texts: texts, InUse: true, Tried: "read", Said: said, Trouble: hostile, Conflict: &Conflict{By: "other", Mine: changes}}),
	}
}

// Nothing that a person or a card wrote becomes markup.
func TestBenchNamesCannotBecomeMarkup(t *testing.T) {
	for name, c := range benchSamples() {
		page := render(t, c)
		if strings.Contains(page, hostile) {
			t.Errorf("%s shows a hostile name as markup", name)
		}
	}
}

// What is read back of an address says what a person would look for.
func TestAddressWords(t *testing.T) {
	for address, want := range map[string]string{
		"tcp://[2001:db8::7]:5025":                           "over the network, host [2001:db8::7], port 5025",
		"serial:///dev/ttyACM0?baud=9600&parity=even&stop=2": "serial line /dev/ttyACM0, 9600 bits/s, 8 data bits, parity even, 2 stop bits",
		"card.example":            "write tcp://host:port or serial:///dev/name?baud=115200",
		"serial:///dev/x?speed=1": "speed is no setting of a serial line; baud, data, parity and stop are",
	} {
		if got, _ := addressWords(address); got != want {
			t.Errorf("%s is read as %q", address, got)
		}
	}
}

package routes

import (
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/store"
)

// pasteAndMap is the API's part in describing a device: what a pasted table
// gives, the proposed pin map, its wires, and what edits changed.
func (a *apiRig) pasteAndMap() {
	t := a.t
	pasted := read[apiPasted](a, a.ask(store.Operator, "POST", "/pin-tables", apiPaste{
		Text: "Pin;Name;Type\n1;IN;input\n2;GND;ground\n3;OUT;output\n4;VDD;supply\n5;;\n", Key: "pasted", Name: "Pasted part"}), 200)
	if len(pasted.Table.Rows) < 4 || pasted.Device == nil || pasted.Device.Pins[3].Function != dut.Supply || len(pasted.Assumptions) == 0 {
		t.Fatalf("pasted %+v", pasted)
	}
	d := *pasted.Device
	if err := d.Validate(); err != nil {
		t.Fatal(err)
	}
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/devices/pasted", d), 201)
	if none := read[apiPasted](a, a.ask(store.Operator, "POST", "/pin-tables", apiPaste{Text: "nothing at all"}), 200); none.Device != nil {
		t.Errorf("a device out of nothing: %+v", none)
	}
	proposal := get[apiProposal](a, "/devices/pasted/pinmaps/rehearsal/proposal")
	if len(proposal.PinMap.Contacts) != len(d.Pins) || len(proposal.Assumptions) == 0 {
		t.Errorf("proposal %+v", proposal)
	}
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/devices/pasted/pinmaps/rehearsal", proposal.PinMap), 201)
	moved := proposal.PinMap
	moved.Straps = append(moved.Straps, bench.Strap{Contact: moved.Contacts[1], Kind: bench.StrapReturn})
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/devices/pasted/pinmaps/rehearsal", moved, "If-Match", `"1"`), 200)
	if list := get[apiList[dut.Problem]](a, "/devices/pasted/pinmaps/rehearsal/conflicts").Items; len(list) == 0 || !strings.Contains(list[0].Message, "1 IN") {
		t.Errorf("an input on the return is no conflict: %+v", list)
	}
	if list := get[apiList[dut.Problem]](a, "/devices/pasted/pinmaps/rehearsal/conflicts?rev=1").Items; len(list) != len(proposal.Conflicts) {
		t.Errorf("the proposal's conflicts: %+v, were %+v", list, proposal.Conflicts)
	}
	if list := get[apiList[dut.Change]](a, "/devices/pasted/pinmaps/rehearsal/changes?from=1").Items; len(list) != 1 || list[0].After != "to the return" {
		t.Errorf("changes %+v", list)
	}
	if n := len(get[apiList[store.Revision]](a, "/devices/pasted/pinmaps/rehearsal/revisions").Items); n != 2 {
		t.Errorf("%d revisions", n)
	}
	wires := get[apiList[bench.WiringRow]](a, "/devices/pasted/pinmaps/rehearsal/wiring").Items
	if len(wires) != len(d.Pins) || wires[0].Function != dut.Ground {
		t.Errorf("wires %+v", wires)
	}
	reach := get[apiList[apiPinReach]](a, "/devices/pasted/pinmaps/rehearsal/reach").Items
	if len(reach) != len(d.Pins) || len(reach[0].Lines) != 1 || !reach[0].Lines[0].Strapped || len(reach[2].Lines) != 5 {
		t.Errorf("reach %+v", reach)
	}
	a.changedDevice(d)
	if n := len(get[apiList[dut.LogicFamily]](a, "/logic-families").Items); n != len(dut.LogicFamilies()) {
		t.Errorf("%d logic families", n)
	}
}

func (a *apiRig) changedDevice(d dut.Device) {
	t := a.t
	d.Pins[2].MaxV += 1
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/devices/pasted", d, "If-Match", `"1"`), 200)
	if list := get[apiList[dut.Change]](a, "/devices/pasted/changes?from=1&to=2").Items; len(list) != 1 || list[0].Field != "pins[2].maxV" {
		t.Errorf("changes %+v", list)
	}
	if list := get[apiList[dut.Change]](a, "/devices/pasted/changes?from=2").Items; len(list) != 0 {
		t.Errorf("changes of a revision from itself: %+v", list)
	}
	if list := get[apiList[dut.Problem]](a, "/devices/pasted/warnings").Items; len(list) == 0 {
		t.Error("a proposed device gives nothing to look at")
	}
}

func TestEditingRefused(t *testing.T) {
	a := newAPI(t)
	for address, want := range map[string]int{
		"/devices/load/changes":                           422,
		"/devices/load/changes?from=9":                    404,
		"/devices/load/changes?from=x":                    422,
		"/devices/nobody/changes?from=1":                  404,
		"/devices/load/pinmaps/nowhere/proposal":          404,
		"/devices/nobody/pinmaps/rehearsal/proposal":      404,
		"/devices/load/pinmaps/rehearsal/wiring?rev=7":    404,
		"/devices/load/pinmaps/rehearsal/changes?from=0":  422,
		"/devices/load/pinmaps/rehearsal/changes?from=12": 404,
	} {
		if out := a.ask(store.Viewer, "GET", address, nil); out.status != want {
			t.Errorf("%s answers %d, want %d: %s", address, out.status, want, out.body)
		}
	}
	if out := a.ask(store.Operator, "POST", "/pin-tables", map[string]any{"txt": "1 A"}); out.status != 422 {
		t.Errorf("an unknown field answers %d", out.status)
	}
	long := strings.Repeat("1;A;input\n", 10000)
	got := read[apiPasted](a, a.ask(store.Operator, "POST", "/pin-tables", apiPaste{Text: long}), 200)
	if len(got.Table.Problems) == 0 || got.Device != nil {
		t.Errorf("10,000 rows: %d problems, device %v", len(got.Table.Problems), got.Device)
	}
}

// TestAPIEditsAreLogged: what is done through the API stands in the log as what
// is done on the pages, and is held against the same rules.
func TestAPIEditsAreLogged(t *testing.T) {
	a := newAPI(t)
	dev, p, pm := loadDevice(), loadProcedure(), loadPinMap()
	dev.Key, p.Key, p.Device, pm.Device = "part", "part-check", "part", "part"
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/devices/part", dev), 201)
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/devices/part/pinmaps/"+pm.Bench, pm), 201)
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/procedures/part-check", p), 201)
	for _, address := range []string{"/procedures/part-check", "/devices/part/pinmaps/" + pm.Bench, "/devices/part"} {
		if out := a.ask(store.Owner, "DELETE", address, nil); out.status != 204 {
			t.Errorf("deleting %s answers %d: %s", address, out.status, out.body)
		}
	}
	for subject, want := range map[string]string{
		"part":       "owner: delete device, owner: delete pin map, operator: edit pin map, operator: describe device",
		"part-check": "owner: delete procedure, operator: edit procedure",
	} {
		events, err := a.store.Events(t.Context(), subject, 0, 20)
		must(t, err)
		var got []string
		for _, e := range events {
			got = append(got, e.By+": "+e.Action)
		}
		if strings.Join(got, ", ") != want {
			t.Errorf("the log about %s says %q, want %q", subject, got, want)
		}
	}
	dev.Key = "new"
	if out := a.ask(store.Operator, "PUT", "/devices/new", dev); out.status != 422 || !strings.Contains(string(out.body), "taken by the program") {
		t.Errorf("a device that taken by the program hides answers %d: %s", out.status, out.body)
	}
}

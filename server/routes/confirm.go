package routes

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
	"ohmkeep/web"
)

// Before the first energising of a bench with cards in a session of control,
// whoever holds control confirms, one by one, the cautions, how the unit is
// seated and where its pin 1 is. What was confirmed is kept in memory for the
// session of control and put into the record of every run started under it.

// cautionsToConfirm are the same on every bench with cards.
var cautionsToConfirm = []web.ToConfirm{
	{Name: "low-voltage", Text: "Low-voltage DC only: nothing that is connected to this bench goes beyond 60 V."},
	{Name: "esd", Text: "I am grounded, or protected in another way against electrostatic discharge (ESD)."},
	{Name: "stored-charge", Text: "Capacitors on the board and in the part are discharged, or I know what charge they keep."},
	{Name: "mains", Text: "I know which supplies at the bench are mains-powered and carry mains inside."},
	{Name: "stop", Text: "The stop on these pages is no emergency stop: it needs the browser, the network and this program to work."},
	{Name: "interlock", Text: "A hardware interlock, or another switch that needs no program, cuts the power of the bench, and I can reach it."},
	{Name: "rules", Text: "The rules of the lab, the local codes and qualified people come before anything that this program says."},
}

// emptyToConfirm is asked before every check of cards: a part in the socket
// would be energised without a look at its ratings.
var emptyToConfirm = web.ToConfirm{Name: "empty", Text: "The socket is empty: nothing is connected to its contacts."}

// occasion is what is about to be energised.
type occasion struct {
	device    *dut.Device   // in the socket; nil where none is to be
	deviceRev int           // of the device: its package and pins may have changed
	pinMap    *bench.PinMap // of the device
	rev       int           // of the pin map
	empty     bool          // the socket is to be empty
}

// key tells what is seated, and by which drawing, from anything else.
func (o *occasion) key() string {
	if o.device == nil {
		return ""
	}
	return fmt.Sprintf("%s@%d/%d", o.device.Key, o.deviceRev, o.rev)
}

// items lists what is to be confirmed.
func (o *occasion) items() []web.ToConfirm {
	list := slices.Clone(cautionsToConfirm)
	if o.device != nil {
		list = append(list,
			web.ToConfirm{Name: "seated", Text: fmt.Sprintf("A unit of %s is seated as the drawing of its pin map shows.", o.device.Name)},
			web.ToConfirm{Name: "pin-1", Text: fmt.Sprintf("Pin 1 of %s is where the drawing shows it: on contact %d.", o.device.Name, o.pinMap.Contacts[1])})
	}
	if o.empty {
		list = append(list, emptyToConfirm)
	}
	return list
}

// ask is what is still to be confirmed, and what for.
type ask struct {
	occasion
	open []web.ToConfirm
	free bool // nobody holds control: whoever confirms takes it
}

// confirmations are those of one session of control.
type confirmations struct {
	mu      sync.Mutex
	place   *lab.Bench
	session string
	seated  string // what seated and pin-1 were confirmed for
	given   map[string]procedure.Confirmation
}

// forget has everything asked again: control has changed hands.
func (c *confirmations) forget() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.session, c.given = "", nil
}

// of makes the confirmations those of a session, and of what is seated.
func (c *confirmations) of(p *lab.Bench, session string, o *occasion) {
	if c.place != p || c.session != session || c.given == nil {
		c.place, c.session, c.seated, c.given = p, session, "", map[string]procedure.Confirmation{}
	}
	if key := o.key(); key != "" && c.seated != key || o.empty {
		c.seated = key
		delete(c.given, "seated")
		delete(c.given, "pin-1")
	}
}

// standing is who confirmed an item, if that still stands for what is about to
// be energised. That the socket is empty never does: it is asked each time.
func (c *confirmations) standing(o *occasion, item web.ToConfirm) (procedure.Confirmation, bool) {
	if item.Name == emptyToConfirm.Name || aboutSeating(item) && c.seated != o.key() {
		return procedure.Confirmation{}, false
	}
	given, known := c.given[item.Name]
	return given, known
}

func aboutSeating(item web.ToConfirm) bool { return item.Name == "seated" || item.Name == "pin-1" }

// open lists what a session would have to confirm now: pages list what is
// demanded. now is how the bench stands.
func (c *confirmations) open(p *lab.Bench, now run.Snapshot, session string, o *occasion) []web.ToConfirm {
	if c.place != p || c.session != session || now.Session != session {
		return o.items()
	}
	var open []web.ToConfirm
	for _, item := range o.items() {
		if _, stands := c.standing(o, item); !stands {
			open = append(open, item)
		}
	}
	return open
}

// confirm holds what is about to be energised against what whoever asks has
// confirmed in this session of control; names are what is confirmed now. The
// error is a *Problem that lists what is still open. Where nobody holds
// control, confirming takes it. On the rehearsal bench nothing is asked.
func (s *Server) confirm(ctx context.Context, who lab.Person, names []string, o occasion) ([]procedure.Confirmation, error) {
	p := s.bench(ctx)
	if p.Cards == nil {
		return nil, nil
	}
	c := &s.confirmed
	c.mu.Lock()
	defer c.mu.Unlock()
	now := p.Station.Snapshot()
	if now.Session != "" && now.Session != who.Session {
		return nil, &run.HeldError{Name: now.Holder}
	}
	free := now.Session == ""
	if free {
		c.given = nil
	}
	open := c.open(p, now, who.Session, &o)
	c.of(p, who.Session, &o)
	if slices.ContainsFunc(open, func(item web.ToConfirm) bool { return !slices.Contains(names, item.Name) }) {
		return nil, &problem.Error{Code: problem.Conflict, Title: "Something is to be confirmed before this bench is energised",
			Message: "confirm " + nameList(open), Detail: &ask{o, open, free}}
	}
	if free {
		if err := p.Station.Take(who.Name, who.Session); err != nil {
			return nil, err
		}
		s.note(ctx, who, "take control", p.Definition.Key, "")
	}
	for _, item := range open {
		c.given[item.Name] = procedure.Confirmation{What: item.Text, By: who.Name, At: s.Now()}
	}
	if len(open) > 0 {
		s.note(ctx, who, "confirm", p.Definition.Key, nameList(open))
	}
	var out []procedure.Confirmation
	for _, item := range o.items() {
		out = append(out, c.given[item.Name])
	}
	return out, nil
}

// stillHeld refuses where control has changed hands since whoever asks has
// confirmed. On the rehearsal bench nobody needs to hold it.
func (s *Server) stillHeld(who lab.Person) error {
	if s.at().Cards == nil {
		return s.mayUse(who)
	}
	return s.holdsControl(who)
}

func nameList(items []web.ToConfirm) string {
	var names []string
	for _, item := range items {
		names = append(names, item.Name)
	}
	return strings.Join(names, ", ")
}

// toAsk is what whoever asks would have to confirm now.
func (s *Server) toAsk(who lab.Person, o occasion) []web.ToConfirm {
	c := &s.confirmed
	c.mu.Lock()
	defer c.mu.Unlock()
	p := s.at()
	return c.open(p, p.Station.Snapshot(), who.Session, &o)
}

// askToConfirm shows what is to be confirmed, and sends what was entered again
// once it is.
func (s *Server) askToConfirm(w http.ResponseWriter, r *http.Request, p *Problem, what string) error {
	a := p.ask
	props := web.ConfirmProps{
		Page: s.frame(r.Context(), "Before power", "/bench"), What: what, Action: r.URL.Path,
		Items: a.open, Ticked: r.PostForm["confirm"], Carried: r.PostForm, TakesControl: a.free,
	}
	if a.device != nil {
		props.Device, props.Socket = a.device, &web.Socket{ID: "confirm-socket", Title: "The socket seen from above, with " + a.device.Name,
			Contacts: s.bench(r.Context()).Definition.Contacts, Package: a.device.Package, Pins: a.device.Pins, Map: *a.pinMap, Bench: &s.bench(r.Context()).Definition}
	}
	return show(r.Context(), w, p.Status, web.Confirm(props))
}

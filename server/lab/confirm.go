package lab

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
)

// Before the first energising of a bench with cards in a session of control,
// whoever holds control confirms, one by one, the cautions, how the unit is
// seated and where its pin 1 is. What was confirmed is kept in memory for the
// session of control and put into the record of every run started under it.

// ToConfirm is one thing to confirm before a bench is energised.
type ToConfirm struct {
	Name string
	Text string
}

// cautionsToConfirm are the same on every bench with cards.
var cautionsToConfirm = []ToConfirm{
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
var emptyToConfirm = ToConfirm{Name: "empty", Text: "The socket is empty: nothing is connected to its contacts."}

// Occasion is what is about to be energised. The zero Occasion is a bench of
// which nobody says what sits on it.
type Occasion struct {
	Device    *dut.Device   // in the socket; nil where none is to be
	DeviceRev int           // of the device: its package and pins may have changed
	PinMap    *bench.PinMap // of the device
	Rev       int           // of the pin map
	Empty     bool          // the socket is to be empty
	// Plug is the step of a bench check that needs a plug in the socket; the zero
	// one, or one that needs none: no plug is asked for.
	Plug check.StepInfo
}

// EmptySocket is the energising of a bench with nothing in its socket.
var EmptySocket = Occasion{Empty: true}

// plugged reports whether a plug has to be in the socket.
func (o *Occasion) plugged() bool { return o.Plug.Model != "" && o.Plug.Model != NothingSeated }

// key tells what is seated, and by which drawing, from anything else.
func (o *Occasion) key() string {
	if o.Device == nil {
		return ""
	}
	return fmt.Sprintf("%s@%d/%d", o.Device.Key, o.DeviceRev, o.Rev)
}

// items lists what is to be confirmed.
func (o *Occasion) items() []ToConfirm {
	list := slices.Clone(cautionsToConfirm)
	switch {
	case o.Device == nil:
	case o.Device.Key == BareContacts:
		list = append(list, bareToConfirm)
	default:
		list = append(list,
			ToConfirm{Name: "seated", Text: fmt.Sprintf("A unit of %s is seated as the drawing of its pin map shows.", o.Device.Name)},
			ToConfirm{Name: "pin-1", Text: fmt.Sprintf("Pin 1 of %s is where the drawing shows it: on contact %d.", o.Device.Name, o.PinMap.Contacts[1])})
	}
	if o.Empty {
		list = append(list, emptyToConfirm)
	}
	if o.plugged() {
		list = append(list, ToConfirm{Name: o.Plug.Model, Text: "In the socket is " + o.Plug.Socket + ". No part is connected."})
	}
	return list
}

// Unconfirmed is the detail of a refusal: what is still to be confirmed, and
// what for.
type Unconfirmed struct {
	Occasion
	Open []ToConfirm
	// TakesControl is true where nobody holds control: whoever confirms takes it.
	TakesControl bool
}

// confirmations are those of one session of control of one bench.
type confirmations struct {
	mu      sync.Mutex
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
func (c *confirmations) of(session string, o *Occasion) {
	if c.session != session || c.given == nil {
		c.session, c.seated, c.given = session, "", map[string]procedure.Confirmation{}
	}
	if key := o.key(); key != "" && c.seated != key || o.Empty || o.plugged() {
		c.seated = key
		delete(c.given, "seated")
		delete(c.given, "pin-1")
		delete(c.given, bareToConfirm.Name)
	}
}

// standing is who confirmed an item, if that still stands for what is about to
// be energised. That the socket is empty, or has a plug in it, never does: it is
// asked each time.
func (c *confirmations) standing(o *Occasion, item ToConfirm) (procedure.Confirmation, bool) {
	if item.Name == emptyToConfirm.Name || o.plugged() && item.Name == o.Plug.Model || aboutSeating(item) && c.seated != o.key() {
		return procedure.Confirmation{}, false
	}
	given, known := c.given[item.Name]
	return given, known
}

func aboutSeating(item ToConfirm) bool {
	return item.Name == "seated" || item.Name == "pin-1" || item.Name == bareToConfirm.Name
}

// open lists what a session would have to confirm now. now is how the bench
// stands.
func (c *confirmations) open(now run.Snapshot, session string, o *Occasion) []ToConfirm {
	if c.session != session || now.Session != session {
		return o.items()
	}
	var open []ToConfirm
	for _, item := range o.items() {
		if _, stands := c.standing(o, item); !stands {
			open = append(open, item)
		}
	}
	return open
}

// Confirm holds what is about to be energised against what whoever asks has
// confirmed in this session of control; names are what is confirmed now. The
// detail of the error is an *Unconfirmed. Where nobody holds control,
// confirming takes it. On the rehearsal bench nothing is asked.
func (l *Lab) Confirm(ctx context.Context, b *Bench, who Person, names []string, o Occasion) ([]procedure.Confirmation, error) {
	if b.Cards == nil {
		return nil, nil
	}
	c := &b.confirmed
	c.mu.Lock()
	defer c.mu.Unlock()
	now := b.Station.Snapshot()
	if now.Session != "" && now.Session != who.Session {
		return nil, &run.HeldError{Name: now.Holder}
	}
	free := now.Session == ""
	if free {
		c.given = nil
	}
	open := c.open(now, who.Session, &o)
	c.of(who.Session, &o)
	if slices.ContainsFunc(open, func(item ToConfirm) bool { return !slices.Contains(names, item.Name) }) {
		return nil, &problem.Error{Code: problem.Conflict, Title: "Something is to be confirmed before this bench is energised",
			Message: "confirm " + nameList(open), Detail: &Unconfirmed{o, open, free}}
	}
	if free {
		if err := b.Station.Take(who.Name, who.Session); err != nil {
			return nil, err
		}
		l.Note(ctx, who, "take control", b.Definition.Key, "")
	}
	for _, item := range open {
		c.given[item.Name] = procedure.Confirmation{What: item.Text, By: who.Name, At: l.Now()}
	}
	if len(open) > 0 {
		l.Note(ctx, who, "confirm", b.Definition.Key, nameList(open))
	}
	var out []procedure.Confirmation
	for _, item := range o.items() {
		out = append(out, c.given[item.Name])
	}
	return out, nil
}

func nameList(items []ToConfirm) string {
	var names []string
	for _, item := range items {
		names = append(names, item.Name)
	}
	return strings.Join(names, ", ")
}

// ToConfirm is what whoever asks would have to confirm now.
func (b *Bench) ToConfirm(who Person, o Occasion) []ToConfirm {
	c := &b.confirmed
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.open(b.Station.Snapshot(), who.Session, &o)
}

// Standing is one thing to confirm, and who confirmed it in this session of
// control.
type Standing struct {
	ToConfirm
	procedure.Confirmation // the zero one: nobody has
}

// Standings lists what is to be confirmed and what has been by whoever holds
// control; nothing on the rehearsal bench.
func (b *Bench) Standings(o Occasion) []Standing {
	if b.Cards == nil {
		return nil
	}
	c := &b.confirmed
	c.mu.Lock()
	defer c.mu.Unlock()
	held := c.session != "" && c.session == b.Station.Snapshot().Session
	var out []Standing
	for _, item := range o.items() {
		x := Standing{ToConfirm: item}
		if held {
			x.Confirmation, _ = c.standing(&o, item)
		}
		out = append(out, x)
	}
	return out
}

// OccasionOf is the energising of a device that is seated; "" is the zero
// Occasion.
func (l *Lab) OccasionOf(ctx context.Context, b *Bench, device string) (Occasion, error) {
	if device == "" {
		return Occasion{}, nil
	}
	d, err := l.ByHand(ctx, b, device)
	if problem.CodeOf(err) == problem.NotFound || err == nil && d.Removed {
		return Occasion{}, problem.Field("device", "there is no device of this key")
	}
	if err != nil {
		return Occasion{}, err
	}
	pm, rev, err := l.pinMap(ctx, b, device)
	if problem.CodeOf(err) == problem.NotFound {
		return Occasion{}, problem.Field("device", "this device has no pin map for this bench yet")
	}
	if err != nil {
		return Occasion{}, err
	}
	return Occasion{Device: &d.Body, DeviceRev: d.Rev, PinMap: pm, Rev: rev}, nil
}

package routes

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/server/quantity"
	"ohmkeep/store"
	"ohmkeep/web"
)

// benchPage is how the bench stands, and on a rehearsal bench what is put on it.
func (s *Server) benchPage(w http.ResponseWriter, r *http.Request) error {
	p, err := s.benchProps(r.Context())
	if err != nil {
		return err
	}
	return show(r.Context(), w, http.StatusOK, web.Bench(p))
}

func (s *Server) benchProps(ctx context.Context) (web.BenchProps, error) {
	now, who := s.bench(ctx).Now(), personOf(ctx)
	p := web.BenchProps{
		Reason: now.Reason, HasCards: s.bench(ctx).Cards != nil, Health: s.bench(ctx).Health(),
		Page: s.frame(ctx, s.bench(ctx).Definition.Name, "/bench"), Def: s.bench(ctx).Definition, Identity: s.bench(ctx).Identity(), State: now.State,
		Holder: now.Holder, Mine: now.Session != "" && now.Session == who.Session, CanUse: who.Role >= store.Operator,
		Seat: web.Form{ID: "seat"}, BenchForm: web.Form{ID: "faults"},
	}
	p.Page.Rehearsal = s.bench(ctx).Identity().Rehearsal
	if s.bench(ctx).Rehearse == nil {
		return p, nil
	}
	devices, err := s.Store.DeviceHeads(ctx)
	if err != nil {
		return p, err
	}
	for _, d := range devices {
		if d.Model != "" {
			p.Models = append(p.Models, web.Option{Value: "device:" + d.Key, Label: d.Name, Group: "A unit of a device"})
		}
	}
	for _, m := range s.bench(ctx).Rehearse.Models() {
		p.Models = append(p.Models, web.Option{Value: "model:" + m.Key, Label: m.Title, Group: "Pin 1 on contact 1, straight"})
	}
	sorted(p.Models)
	p.UnitFaults, p.BenchFaults = unitFaultChoices(s.bench(ctx)), benchFaultChoices(s.bench(ctx))
	q, err := s.Lab.Seated(ctx, s.bench(ctx))
	if err != nil || q == nil {
		return p, err
	}
	p.Seated = []string{"In the socket: " + s.seatedWords(ctx, &bench.Seating{Device: q.Device, Model: q.Model, Serial: q.Serial}) + ", seed " + strconv.FormatUint(q.Seed, 10)}
	for _, f := range q.UnitFaults {
		p.Seated = append(p.Seated, unitFaultWords(s.bench(ctx), f))
	}
	for _, f := range q.BenchFaults {
		p.Given = append(p.Given, benchFaultWords(s.bench(ctx), f))
	}
	p.Seat.Values, p.BenchForm.Values = seatValues(q), benchFaultValues(s.bench(ctx), q.BenchFaults)
	return p, nil
}

// seatValues fills the form with what is in the socket.
func seatValues(q *bench.Seating) url.Values {
	v := url.Values{"model": {"model:" + q.Model}, "serial": {q.Serial}, "lot": {q.Lot}, "seed": {strconv.FormatUint(q.Seed, 10)}}
	if q.Device != "" {
		v.Set("model", "device:"+q.Device)
	}
	for _, x := range q.Options {
		v.Set("option", quantity.Plain(x))
	}
	for _, f := range q.UnitFaults {
		v["fault"], v["at"] = append(v["fault"], f.Kind), append(v["at"], strconv.Itoa(f.Pin))
		v["other"], v["value"] = append(v["other"], form.Number(f.Pin2)), append(v["value"], ohmsOrNothing(f.Value))
	}
	return v
}

func ohmsOrNothing(v float64) string {
	if v == 0 {
		return ""
	}
	return quantity.Plain(v)
}

// seatForm puts something into the socket of the rehearsal bench.
func (s *Server) seatForm(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return err
	}
	q, err := s.seatingOf(r.Context(), r.PostForm)
	if err == nil {
		err = s.Lab.Seat(r.Context(), s.bench(r.Context()), personOf(r.Context()), q)
	}
	return s.benchAnswer(w, r, err, func(p *web.BenchProps, e *Problem) {
		p.Seat = formOf("seat", r.PostForm, e, map[string]string{"device": "model"})
	})
}

// benchAnswer goes back to the bench's page, or shows it with what was refused.
func (s *Server) benchAnswer(w http.ResponseWriter, r *http.Request, err error, refused func(*web.BenchProps, *Problem)) error {
	if err == nil {
		return seeOther(w, r, "/bench")
	}
	e := classify(err, s.Log)
	p, err := s.benchProps(r.Context())
	if err != nil {
		return err
	}
	refused(&p, e)
	return show(r.Context(), w, e.Status, web.Bench(p))
}

// seatingOf reads the seat form; the bench's own faults stay as they are.
func (s *Server) seatingOf(ctx context.Context, f url.Values) (bench.Seating, error) {
	var ps dut.Problems
	q := bench.Seating{Serial: strings.TrimSpace(f.Get("serial")), Lot: strings.TrimSpace(f.Get("lot"))}
	kind, key, _ := strings.Cut(f.Get("model"), ":")
	switch kind {
	case "device":
		q.Device = key
		d, err := s.Store.GetDevice(ctx, key, 0)
		if err != nil {
			return q, problem.Field("model", "there is no such device")
		}
		q.Model = d.Body.Model
	case "model":
		q.Model = key
	}
	if s.bench(ctx).Rehearse == nil {
		return q, nil
	}
	if err := modelOption(s.bench(ctx), &q, f.Get("option"), &ps); err != nil {
		return q, err
	}
	if text := strings.TrimSpace(f.Get("seed")); text != "" {
		n, err := strconv.ParseUint(text, 10, 53)
		if err != nil {
			ps.Add("seed", "give a whole number, 0 to 9007199254740991")
		}
		q.Seed = n
	} else {
		q.Seed = lab.SeedOf(q.Device+q.Model, q.Serial)
	}
	for _, row := range faultRows(f, &ps) {
		q.UnitFaults = append(q.UnitFaults, bench.UnitFault{Kind: row.kind, Pin: row.at, Pin2: row.other, Value: row.ohms(&ps)})
	}
	if kept, err := s.Lab.Seated(ctx, s.bench(ctx)); err != nil {
		return q, err
	} else if kept != nil {
		q.BenchFaults = kept.BenchFaults
	}
	return q, ps.Err()
}

// modelOption reads the value of a model that has one.
func modelOption(b *lab.Bench, q *bench.Seating, text string, ps *dut.Problems) error {
	models := b.Rehearse.Models()
	i := slices.IndexFunc(models, func(m bench.Model) bool { return m.Key == q.Model })
	if i < 0 {
		return problem.Field("model", "choose what is put in the socket")
	}
	if strings.TrimSpace(text) == "" || len(models[i].Options) == 0 {
		return nil
	}
	o := models[i].Options[0]
	v, err := quantity.Parse(text, quantity.Unit(o.Unit))
	if err != nil {
		ps.Add("option", "%s: %s", o.Title, err.Error())
	}
	q.Options = map[string]float64{o.Key: v}
	return nil
}

// faultRow is one row of a form's faults.
type faultRow struct {
	n         int // of the row, from 1
	kind      string
	at, other int
	atText    string
	value     string
}

// ohms is the row's resistance; nothing is 0.
func (r faultRow) ohms(ps *dut.Problems) float64 {
	if strings.TrimSpace(r.value) == "" {
		return 0
	}
	v, err := quantity.Parse(r.value, quantity.Ohm)
	if err != nil {
		ps.Add(fmt.Sprintf("value-%d", r.n), "%s", err.Error())
	}
	return v
}

func faultRows(f url.Values, ps *dut.Problems) []faultRow {
	var out []faultRow
	for i, kind := range f["fault"] {
		if kind == "" {
			continue
		}
		row := faultRow{n: i + 1, kind: kind, atText: strings.TrimSpace(at(f, "at", i)), value: at(f, "value", i)}
		row.at = wholeOr(row.atText, fmt.Sprintf("at-%d", i+1), ps)
		row.other = wholeOr(strings.TrimSpace(at(f, "other", i)), fmt.Sprintf("other-%d", i+1), ps)
		out = append(out, row)
	}
	return out
}

// wholeOr reads a whole number; a text that is not one stands for itself (the
// name of a multiplexer).
func wholeOr(text, field string, ps *dut.Problems) int {
	if text == "" || strings.Contains(text, "/") {
		return 0
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 0 || n > 65535 {
		ps.Add(field, "give its number")
	}
	return n
}

// faultsForm sets what is wrong with the rehearsal bench itself.
func (s *Server) faultsForm(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return err
	}
	if s.bench(r.Context()).Rehearse == nil {
		return problem.New(problem.Conflict, "This is a real bench.")
	}
	q, err := s.Lab.Seated(r.Context(), s.bench(r.Context()))
	if err == nil {
		if q == nil {
			q = &bench.Seating{Model: lab.NothingSeated}
		}
		q.BenchFaults, err = benchFaultsOf(s.bench(r.Context()), r.PostForm)
	}
	if err == nil {
		err = s.Lab.Seat(r.Context(), s.bench(r.Context()), personOf(r.Context()), *q)
	}
	return s.benchAnswer(w, r, err, func(p *web.BenchProps, e *Problem) { p.BenchForm = formOf("faults", r.PostForm, e, nil) })
}

func benchFaultsOf(on *lab.Bench, f url.Values) ([]bench.BenchFault, error) {
	var ps dut.Problems
	var out []bench.BenchFault
	for _, row := range faultRows(f, &ps) {
		b := bench.BenchFault{Kind: row.kind}
		switch choiceOf(benchFaultChoices(on), row.kind).At {
		case "multiplexer":
			b.Mux = row.atText
		case "path":
			b.Path = bench.PathID(row.at)
		case "channel":
			b.Channel = bench.ChannelID(min(row.at, 255))
			i := slices.IndexFunc(on.Definition.Channels, func(c bench.Channel) bool { return strings.EqualFold(c.Name, row.atText) })
			if i >= 0 {
				b.Channel = on.Definition.Channels[i].ID
				ps = slices.DeleteFunc(ps, func(p dut.Problem) bool { return p.Field == fmt.Sprintf("at-%d", row.n) })
			}
			b.Value = row.part(&ps)
		default:
			b.Contact, b.Contact2, b.Value = row.at, row.other, row.ohms(&ps)
		}
		out = append(out, b)
	}
	return out, ps.Err()
}

// part is the row's value as a part of one: "2 %" or "0.02".
func (r faultRow) part(ps *dut.Problems) float64 {
	text, percent := strings.CutSuffix(strings.TrimSpace(r.value), "%")
	v, err := quantity.Parse(text, quantity.One)
	if err != nil {
		ps.Add(fmt.Sprintf("value-%d", r.n), "%s", err.Error())
	}
	if percent {
		v /= 100
	}
	return v
}

// safeForm makes the bench safe and goes back to where it was asked.
func (s *Server) safeForm(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.MakeSafe(r.Context(), s.bench(r.Context()), personOf(r.Context())); err != nil {
		return err
	}
	back := "/bench"
	if u, err := url.Parse(r.Referer()); err == nil && u.Host == r.Host {
		back = local(u.RequestURI())
	}
	return seeOther(w, r, back)
}

func (s *Server) controlForm(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return err
	}
	act := s.Lab.TakeControl
	if r.PostForm.Get("do") == "release" {
		act = s.Lab.ReleaseControl
	}
	if err := act(r.Context(), s.bench(r.Context()), personOf(r.Context())); err != nil {
		return err
	}
	if to := r.PostForm.Get("to"); to != "" {
		u, err := url.Parse(to)
		if err == nil && local(to) == u.RequestURI() {
			return seeOther(w, r, u.RequestURI()+"#"+u.Fragment)
		}
	}
	return seeOther(w, r, "/bench")
}

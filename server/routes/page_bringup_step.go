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
	"ohmkeep/server/lab"
	"ohmkeep/server/quantity"
	"ohmkeep/server/run"
	"ohmkeep/store"
	"ohmkeep/web"
)

// sampleWords describes the samples that a step has read.
func sampleWords(d *bench.Definition, samples []bench.Sample) []string {
	var out []string
	for _, x := range samples {
		name := d.ChannelName(x.Channel)
		if name == "" {
			name = fmt.Sprint(x.Channel)
		}
		words := fmt.Sprintf("%s: %s, %s", name, quantity.Format(x.V, quantity.Volt, 8), quantity.Format(x.I, quantity.Ampere, 8))
		if flags := x.Flags.Words(); len(flags) > 0 {
			words += ", " + strings.Join(flags, ", ")
		}
		out = append(out, words)
	}
	return out
}

// stepDevices is how many devices' measurements the page offers at once; of
// more, it asks for the device first.
const stepDevices = 20

// stepProps returns the stepping part of the page: what can be stepped
// through, and how far it has come. Device is the one whose measurements are
// offered where there are many; "" is the one that was measured last.
func (s *Server) stepProps(ctx context.Context, device string) (web.StepProps, error) {
	p := s.stepView(s.bench(ctx))
	p.Form = web.Form{ID: "step", Values: url.Values{}}
	if s.bench(ctx).Stepper == nil {
		return p, nil
	}
	devices, err := s.Store.MappedDevices(ctx, s.bench(ctx).Definition.Key)
	if err != nil {
		return p, err
	}
	if len(devices) > stepDevices {
		p.Devices = optionsOf(devices)
		if devices, err = s.stepDevice(ctx, devices, device); err != nil {
			return p, err
		}
		p.Which = web.Form{ID: "step-device", Values: url.Values{"device": {devices[0].Key}}}
	}
	keys, names := []string{}, map[string]string{}
	for _, d := range devices {
		keys, names[d.Key] = append(keys, d.Key), d.Name
	}
	procs, err := s.Store.ProceduresOf(ctx, keys)
	if err != nil {
		return p, err
	}
	for _, q := range procs {
		for i, m := range q.Body.Measurements {
			p.Choices = append(p.Choices, web.Option{Value: q.Body.Key + ":" + strconv.Itoa(i), Label: m.Name, Group: names[q.Body.Device] + ", " + q.Body.Name})
		}
	}
	p.Can = len(p.Choices) > 0 || len(p.Devices) > 0
	return p, nil
}

// stepDevice picks a device by its key among many, else the one that was
// measured last, else the first.
func (s *Server) stepDevice(ctx context.Context, devices []store.DeviceHead, key string) ([]store.DeviceHead, error) {
	last, err := s.Store.LastRuns(ctx, 1)
	if err != nil {
		return nil, err
	}
	if key == "" && len(last) > 0 {
		key = last[0].Device
	}
	at := max(0, slices.IndexFunc(devices, func(d store.DeviceHead) bool { return d.Key == key }))
	return devices[at : at+1], nil
}

// stepView returns the page's view of the measurement that is stepped through.
func (s *Server) stepView(b *lab.Bench) web.StepProps {
	st := b.Stepping()
	p := web.StepProps{Can: true, What: st.What, Left: st.Left, Active: st.Active}
	if st.Run == "" {
		return p
	}
	for i := range st.Done {
		p.Done = append(p.Done, s.stepRow(&b.Definition, &st.Done[i]))
	}
	if st.Pending != nil {
		p.Pending = &web.StepRow{N: st.Pending.N, Words: st.Pending.Words(&b.Definition)}
	}
	if !st.Active {
		p.Ended = stepEnding(b, st.Ending)
	}
	return p
}

// stepRow returns the page's row of one call to the link, in words, with the
// traffic that it caused.
func (s *Server) stepRow(d *bench.Definition, step *lab.Step) web.StepRow {
	row := web.StepRow{N: step.N, Words: step.Words(d), Values: sampleWords(d, step.Samples)}
	if step.Err != nil {
		row.Err = step.Err.Error()
	}
	if len(step.Events) > 0 {
		row.Rows = web.NewDecoder(&s.Protocol).Rows(step.Events)
	}
	return row
}

// stepEnding describes how a stepped measurement has ended; h is nil where
// memory does not hold it any more.
func stepEnding(b *lab.Bench, h *run.Held) string {
	if h == nil {
		return "It has ended."
	}
	words := "It has ended: " + string(h.Ending.Status)
	if h.Ending.Reason != "" {
		words += ", " + h.Ending.Reason
	}
	for _, r := range h.Results {
		words += "; " + r.Name + " " + quantity.Pair(r.Value, r.U, r.Unit)
	}
	return words + ". The bench is " + string(b.Now().State) + "."
}

func (s *Server) stepForm(w http.ResponseWriter, r *http.Request) error {
	f := r.PostForm
	key, index, _ := strings.Cut(f.Get("measurement"), ":")
	i, wrong := strconv.Atoi(index)
	if wrong != nil {
		i = -1 // there is none
	}
	err := s.Lab.StepThrough(r.Context(), s.bench(r.Context()), personOf(r.Context()), key, i, f["confirm"])
	if err == nil {
		return seeOther(w, r, "/bench/bring-up#step")
	}
	e := s.classify(r.Context(), err)
	if e.unconfirmed != nil {
		return s.askToConfirm(w, r, e, "Step through it")
	}
	p, err := s.bringUpProps(r.Context(), url.Values{})
	if err != nil {
		return err
	}
	p.Steps.Form = formOf("step", f, e, nil)
	return show(r.Context(), w, e.Status, web.BringUp(p))
}

func (s *Server) stepNextForm(w http.ResponseWriter, r *http.Request) error {
	n, _ := strconv.Atoi(r.PostForm.Get("n")) // none lets nothing through
	if err := s.Lab.LetThrough(r.Context(), s.bench(r.Context()), personOf(r.Context()), n, r.PostForm["confirm"]); err != nil {
		if e := s.classify(r.Context(), err); e.unconfirmed != nil {
			return s.askToConfirm(w, r, e, "Let the call through")
		}
		return err
	}
	return seeOther(w, r, "/bench/bring-up#step")
}

func (s *Server) stepStopForm(w http.ResponseWriter, r *http.Request) error {
	err := s.Lab.StopStepping(r.Context(), s.bench(r.Context()), personOf(r.Context()))
	if err != nil && asConflict(err, s) == nil {
		return err
	}
	return seeOther(w, r, "/bench/bring-up#step")
}

package routes

import (
	"context"
	"mime"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/bench"
	"ohmkeep/server/form"
	"ohmkeep/server/lab"
	"ohmkeep/store"
	"ohmkeep/web"
)

func (s *Server) benchEditPages() []route {
	return []route{
		{"GET", "/benches", store.Viewer, page, s.benchesPage},
		{"GET", "/benches/import", store.Operator, page, s.benchImportPage},
		{"POST", "/benches/import", store.Operator, page, s.benchImportForm},
		{"GET", "/benches/{key}.json", store.Viewer, page, s.benchExport},
		{"GET", "/benches/{key}", store.Viewer, page, s.benchDefinitionPage},
		{"GET", "/benches/new", store.Operator, page, s.benchNewPage},
		{"POST", "/benches/new", store.Operator, page, s.benchNewForm},
		{"GET", "/benches/{key}/edit", store.Operator, page, s.benchEditPage},
		{"POST", "/benches/{key}/edit", store.Operator, page, s.benchEditForm},
		{"GET", "/benches/{key}/dialect", store.Operator, page, s.dialectPage},
		{"POST", "/benches/{key}/dialect", store.Operator, page, s.dialectForm},
		{"POST", "/benches/{key}/use", store.Operator, page, s.benchUseForm},
		{"POST", "/benches/{key}/copy", store.Operator, page, s.benchCopyForm},
		{"POST", "/benches/{key}/delete", store.Owner, page, s.benchDeleteForm},
		{"GET", "/benches/{key}/revisions", store.Viewer, page, s.benchRevisions},
		{"POST", "/benches/{key}/undo", store.Operator, page, s.benchUndo},
		{"POST", "/benches/{key}/bring-back", store.Operator, page, s.benchBringBack},
	}
}

func (s *Server) benchesPage(w http.ResponseWriter, r *http.Request) error {
	return s.showBenches(w, r, http.StatusOK, "")
}

func (s *Server) showBenches(w http.ResponseWriter, r *http.Request, status int, trouble string) error {
	ctx := r.Context()
	list, err := s.Store.ListBenches(ctx)
	if err != nil {
		return err
	}
	p := web.BenchesProps{Page: s.frame(ctx, "Benches", "/bench"), Health: s.bench(r.Context()).Health(), Use: s.useProps(ctx),
		CanEdit: personOf(ctx).Role >= store.Operator, Problem: trouble}
	for i := range list {
		p.Rows = append(p.Rows, benchRow(s.bench(ctx), &list[i]))
	}
	return show(ctx, w, status, web.Benches(p))
}

func benchRow(inUse *lab.Bench, b *store.Revised[bench.Definition]) web.BenchListRow {
	row := web.BenchListRow{Key: b.Body.Key, Name: b.Body.Name, Rehearsal: b.Body.Key == lab.RehearsalKey,
		Channels: len(b.Body.Channels), Contacts: b.Body.Contacts, Connections: b.Body.Connections, Rev: b.Rev, At: b.At, By: b.By}
	if inUse.Definition.Key == b.Body.Key {
		now := inUse.Station.Snapshot()
		row.InUse, row.State, row.Reason = true, now.State, now.Reason
		row.Newer = !row.Rehearsal && len(bench.DiffDefinitions(&inUse.Definition, &b.Body)) > 0
	}
	return row
}

// useProps returns whether the person may put another bench in use now, and
// why not.
func (s *Server) useProps(ctx context.Context) web.UseProps {
	u := web.UseProps{Offered: s.Lab.Open != nil}
	who := personOf(ctx)
	u.PowerOff = who.Role >= store.Owner && s.bench(ctx).Station.Snapshot().State == bench.Unknown
	if err := s.bench(ctx).MayLeave(who, u.PowerOff); err != nil {
		u.Reason = sentence(classify(err, s.Log).Detail)
	}
	return u
}

func (s *Server) benchUseForm(w http.ResponseWriter, r *http.Request) error {
	ctx, key := r.Context(), chi.URLParam(r, "key")
	err := s.Lab.Use(ctx, personOf(ctx), key, r.PostForm.Get("powerOff") == "true")
	if err == nil {
		return seeOther(w, r, "/bench")
	}
	p := s.classify(r.Context(), err)
	if p.Status == http.StatusNotFound {
		return err
	}
	return s.showBenches(w, r, p.Status, sentence(p.Detail))
}

// benchDefinitionPage is the page of a bench's definition and the actions on
// it.
func (s *Server) benchDefinitionPage(w http.ResponseWriter, r *http.Request) error {
	b, err := s.Store.GetBench(r.Context(), chi.URLParam(r, "key"), 0)
	if err != nil {
		return err
	}
	return s.showBench(w, r, http.StatusOK, b, web.Form{ID: "copy"})
}

func (s *Server) showBench(w http.ResponseWriter, r *http.Request, status int, b *store.Revised[bench.Definition], copyForm web.Form) error {
	ctx := r.Context()
	who := personOf(ctx)
	p := web.BenchDefinitionProps{Page: s.frame(ctx, b.Body.Name, "/bench"), Row: benchRow(s.bench(ctx), b), Def: b.Body, Removed: b.Removed,
		Use: s.useProps(ctx), CanEdit: who.Role >= store.Operator, Copy: copyForm}
	own := !p.Row.Rehearsal && !b.Removed
	p.CanUndo, p.CanDelete = own && b.Rev > 1, own && who.Role >= store.Owner && !p.Row.InUse
	p.Page.Rehearsal = p.Row.Rehearsal
	if p.Row.InUse {
		p.Health = s.bench(r.Context()).Health()
	}
	if p.Row.Newer {
		p.Changes = bench.DiffDefinitions(&s.bench(r.Context()).Definition, &b.Body)
	}
	return show(ctx, w, status, web.BenchDefinition(p))
}

// benchExport downloads the bench's document, the same bytes for the same
// content, so that it can be kept under version control.
func (s *Server) benchExport(w http.ResponseWriter, r *http.Request) error {
	b, err := s.Store.GetBench(r.Context(), chi.URLParam(r, "key"), number(r.URL.Query(), "rev", 0))
	if err != nil {
		return err
	}
	body, err := b.Body.Document()
	if err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": b.Body.Key + ".json"}))
	h.Set("ETag", entityTag(b.Rev))
	_, _ = w.Write(body) // the reader has gone
	return nil
}

// benchCopyForm handles the form that stores a copy of a bench under another
// name.
func (s *Server) benchCopyForm(w http.ResponseWriter, r *http.Request) error {
	ctx, who := r.Context(), personOf(r.Context())
	b, err := s.Store.GetBench(ctx, chi.URLParam(r, "key"), 0)
	if err != nil {
		return err
	}
	def, err := s.copyOf(ctx, b.Body, r.PostForm)
	if err == nil {
		_, err = s.Lab.SaveBench(ctx, who, def, 0)
	}
	if err != nil {
		p := s.classify(r.Context(), err)
		if p.Status == http.StatusInternalServerError {
			return err
		}
		return s.showBench(w, r, p.Status, b, formOf("copy", r.PostForm, p, map[string]string{"connections[0].address": "address"}))
	}
	return seeOther(w, r, "/benches/"+def.Key+"/edit")
}

// copyOf returns a copy of a bench under another name. The addresses of the
// rehearsal bench mean nothing to a card: its copy has the protocol's.
func (s *Server) copyOf(ctx context.Context, def bench.Definition, f url.Values) (bench.Definition, error) {
	def.Name = strings.TrimSpace(f.Get("name"))
	rehearsed := def.Key == lab.RehearsalKey
	key, err := s.Lab.FreeBenchKey(ctx, form.KeyFor(def.Name))
	if err != nil {
		return def, err
	}
	def.Key = key
	if !rehearsed {
		return def, nil
	}
	def.Paths = protocolAddresses(&def)
	if address := strings.TrimSpace(f.Get("address")); address != "" {
		def.Connections = []bench.Connection{bench.NewConnection("Cards", address, def.Cards())}
	}
	return def, nil
}

func (s *Server) benchDeleteForm(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	if err := s.Lab.DeleteBench(ctx, personOf(ctx), chi.URLParam(r, "key")); err != nil {
		return err
	}
	return seeOther(w, r, "/benches")
}

// protocolAddresses are the bench's paths with the addresses of the protocol:
// the channel's number on its card, or 0 for the return, and the contact.
func protocolAddresses(def *bench.Definition) []bench.Path {
	out := make([]bench.Path, len(def.Paths))
	for i, p := range def.Paths {
		n := 0
		if ch, ok := def.ChannelByID(p.Channel); ok {
			n = ch.NumberOf()
		}
		p.Address = strconv.Itoa(n) + "!" + strconv.Itoa(p.Contact)
		out[i] = p
	}
	return out
}

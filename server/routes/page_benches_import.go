package routes

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"net/url"
	"strings"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/bench"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/web"
)

func (s *Server) benchImportPage(w http.ResponseWriter, r *http.Request) error {
	return s.showBenchImport(w, r, http.StatusOK, web.BenchImportProps{Form: web.Form{ID: "import"}})
}

func (s *Server) showBenchImport(w http.ResponseWriter, r *http.Request, status int, p web.BenchImportProps) error {
	p.Page = s.frame(r.Context(), "Import a bench", "/bench")
	return show(r.Context(), w, status, web.BenchImport(p))
}

// benchImportForm handles the import of a bench in two posts: the first parses
// the document and shows what it would change, the second stores it and
// carries the revision that was compared with.
func (s *Server) benchImportForm(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	text, err := importedText(r)
	if err != nil {
		return err
	}
	f := url.Values{"document": {text}, "rev": {r.FormValue("rev")}}
	props := web.BenchImportProps{Form: web.Form{ID: "import", Values: f}}
	props.Def, err = parseBench([]byte(text))
	if err == nil {
		err = s.compareBench(ctx, &props)
	}
	if err != nil {
		e := s.classify(r.Context(), err)
		if e.Status == http.StatusInternalServerError {
			return err
		}
		props.Problems = e.Fields
		props.Form.Errors = map[string]string{"document": sentence(e.Detail)}
		if len(e.Fields) > 0 {
			props.Form.Errors["document"] = "It cannot be used as it is. Nothing was saved."
		}
		return s.showBenchImport(w, r, http.StatusUnprocessableEntity, props)
	}
	if r.FormValue("do") != "save" {
		return s.showBenchImport(w, r, http.StatusOK, props)
	}
	if postedRev(f) != props.Rev {
		props.Stale = true
		return s.showBenchImport(w, r, http.StatusConflict, props)
	}
	_, err = s.Lab.SaveBench(ctx, personOf(ctx), props.Def, props.Rev)
	if isStale(err) {
		props.Stale = true
		if err := s.compareBench(ctx, &props); err != nil {
			return err
		}
		return s.showBenchImport(w, r, http.StatusConflict, props)
	} else if err != nil {
		return err
	}
	return seeOther(w, r, "/benches/"+props.Def.Key)
}

// parseBench parses a bench's document strictly and reports every fault: a
// member that this version does not know is named, never dropped.
func parseBench(text []byte) (bench.Definition, error) {
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	def, err := apidoc.Decode[bench.Definition](apiTypes, text)
	if p := new(problem.Error); errors.As(err, &p) {
		for i, f := range p.Fields {
			if strings.HasSuffix(f.Message, "is not known here") {
				p.Fields[i].Message = "is not known to this version: the document may come from a newer one"
			}
		}
	}
	if err != nil {
		return def, err
	}
	if _, err := bench.ParseDefinition(text); err != nil { // what the program reads at a start
		if ps := def.Check(); len(ps) == 0 {
			return def, problem.Field("document", strings.TrimPrefix(err.Error(), "bench: "))
		}
	}
	return def, def.Check().Err()
}

// compareBench lists what saving the document would change.
func (s *Server) compareBench(ctx context.Context, props *web.BenchImportProps) error {
	if lab.ReservedBench(props.Def.Key) {
		return problem.Field("key", "the rehearsal bench and pages of their own have this key: give the bench another one")
	}
	props.Look = props.Def.Warnings()
	now, err := s.Store.GetBench(ctx, props.Def.Key, 0)
	if problem.CodeOf(err) == problem.NotFound {
		props.Rev, props.Ready = 0, true
		return nil
	}
	if err != nil {
		return err
	}
	props.Rev, props.Ready = now.Rev, true
	props.Changes = bench.DiffDefinitions(&now.Body, &props.Def)
	props.Same = len(props.Changes) == 0 && !now.Removed
	return nil
}

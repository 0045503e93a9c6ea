package routes

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strings"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/web"
)

// procedureExport downloads the procedure's document, the same bytes for the
// same content, so that it can be kept under version control.
func (s *Server) procedureExport(w http.ResponseWriter, r *http.Request) error {
	p, err := s.Store.GetProcedure(r.Context(), chi.URLParam(r, "key"), number(r.URL.Query(), "rev", 0))
	if err != nil {
		return err
	}
	body, err := procedureDocument(&p.Body)
	if err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": p.Body.Key + ".json"}))
	h.Set("ETag", entityTag(p.Rev))
	_, _ = w.Write(body) // the reader has gone
	return nil
}

// procedureDocument encodes the canonical document with a line for each
// member, so that a difference between two revisions is a difference between
// lines.
func procedureDocument(p *procedure.Procedure) ([]byte, error) {
	body, err := p.Canonical()
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	if err := json.Indent(&out, body, "", "  "); err != nil {
		return nil, err
	}
	out.WriteByte('\n')
	return out.Bytes(), nil
}

func (s *Server) importPage(w http.ResponseWriter, r *http.Request) error {
	return s.showImport(w, r, http.StatusOK, web.ImportProps{Device: r.URL.Query().Get("device"), Form: web.Form{ID: "import"}})
}

func (s *Server) showImport(w http.ResponseWriter, r *http.Request, status int, p web.ImportProps) error {
	p.Page = s.frame(r.Context(), "Import a procedure", "/devices")
	return show(r.Context(), w, status, web.Import(p))
}

// importForm handles the import of a procedure in two posts: the first parses
// the document and shows what it would change, the second stores it and
// carries the revision that was compared with.
func (s *Server) importForm(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	text, err := importedText(r)
	if err != nil {
		return err
	}
	f := url.Values{"document": {text}, "rev": {r.FormValue("rev")}}
	props := web.ImportProps{Device: r.FormValue("device"), Form: web.Form{ID: "import", Values: f}}
	p, err := parseImport([]byte(text))
	if err == nil {
		p, err = s.Lab.WithTimes(ctx, s.bench(ctx), p, procedure.TimesLeftOut([]byte(text)))
	}
	if err == nil {
		err = s.compareImport(ctx, &p, &props)
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
		return s.showImport(w, r, http.StatusUnprocessableEntity, props)
	}
	if r.FormValue("do") != "save" {
		return s.showImport(w, r, http.StatusOK, props)
	}
	if postedRev(f) != props.Rev {
		props.Stale = true
		return s.showImport(w, r, http.StatusConflict, props)
	}
	if _, err := s.Lab.SaveProcedure(ctx, personOf(ctx), p, props.Rev); isStale(err) {
		props.Stale = true
		if err := s.compareImport(ctx, &p, &props); err != nil {
			return err
		}
		return s.showImport(w, r, http.StatusConflict, props)
	} else if err != nil {
		return err
	}
	return seeOther(w, r, "/procedures/"+p.Key+"/edit")
}

// importedText returns the document that was pasted, or the file that was
// sent.
func importedText(r *http.Request) (string, error) {
	file, _, err := r.FormFile("file")
	if err != nil {
		return r.FormValue("document"), nil
	}
	defer func() { _ = file.Close() }() // only read from
	text, err := io.ReadAll(io.LimitReader(file, maxBody))
	if err != nil {
		return "", err
	}
	if strings.TrimSpace(string(text)) == "" {
		return r.FormValue("document"), nil
	}
	return string(text), nil
}

// procedureBody is a procedure as it is exported: the format of the document
// before all else. Left out, it is the first.
type procedureBody struct {
	Format int `json:"format,omitempty" doc:"format of the document, as exported; left out: 1"`
	procedure.Procedure
}

// newer refuses a document in the format of a newer version.
func newer(format int) error {
	if format > procedure.Format || format < 0 {
		return problem.Field("format", fmt.Sprintf("is %d, and this version reads up to %d: update Ohmkeep, or export it again from the older version", format, procedure.Format))
	}
	return nil
}

// parseImport parses a procedure's document strictly: a member that this
// version does not know is named, never dropped. The format is looked at
// first, so that a newer document is refused for its format and not for the
// first member that is not known here.
func parseImport(text []byte) (procedure.Procedure, error) {
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	var head struct {
		Format int `json:"format"`
	}
	if json.Unmarshal(text, &head) == nil {
		if err := newer(head.Format); err != nil {
			return procedure.Procedure{}, err
		}
	}
	doc, err := apidoc.Decode[procedureBody](apiTypes, text)
	return doc.Procedure, err
}

// compareImport checks the document against its device and says what saving it
// would change.
func (s *Server) compareImport(ctx context.Context, p *procedure.Procedure, props *web.ImportProps) error {
	d, err := s.Store.GetDevice(ctx, p.Device, 0)
	if problem.CodeOf(err) == problem.NotFound || err == nil && d.Removed {
		return problem.Field("device", "there is no device "+p.Device+" here: describe or import it first")
	}
	if err != nil {
		return err
	}
	props.DeviceName, props.Name, props.Key, props.Measurements = d.Body.Name, p.Name, p.Key, len(p.Measurements)
	props.Other = props.Device != "" && props.Device != p.Device
	if err := p.Validate(&d.Body); err != nil {
		return err
	}
	now, err := s.Lab.UnderItsKey(ctx, p)
	if err != nil {
		return err
	}
	if now == nil {
		props.Rev, props.Ready = 0, true
		return nil
	}
	props.Rev, props.Ready, props.Same = now.Rev, true, web.SameProcedure(&now.Body, p) && !now.Removed
	props.Changes = web.ProcedureChanges(&now.Body, p, &d.Body)
	return nil
}

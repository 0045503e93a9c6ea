package routes

import (
	"io"
	"net/http"
	"strings"

	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/web"
)

// importedShown is the number of lines that the page of an import shows.
const importedShown = 500

// dataImport takes a file from a form and brings it in, or, with dry in the
// query, says what that would do. The form is read as it comes: it may be large.
func (s *Server) dataImport(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	r.Body = io.NopCloser(uploadOf(w, r, r.Body))
	parts, err := r.MultipartReader()
	if err != nil {
		return &problem.Error{Code: problem.Malformed, Message: "Send the file as a form does.", Err: err}
	}
	file, err := parts.NextPart()
	if err != nil || file.FormName() != "file" || file.FileName() == "" {
		return problem.New(problem.Invalid, "Choose a file first.")
	}
	dry := r.URL.Query().Get("dry") == "yes"
	got, err := s.Keeper.Import(ctx, file, r.ContentLength, personOf(ctx).Name, dry, importOptions(r))
	if err != nil {
		return err
	}
	title := "Imported"
	if dry {
		title = "What a file would bring"
	}
	p := web.ImportedProps{Page: s.frame(ctx, title, "/data"), Server: got.Server, MadeBy: got.MadeBy, Deleted: got.Deleted > 0, Renamed: got.Renamed > 0, Choice: got.Choice, Sum: got.Sum, Words: got.Words(), Dry: dry, More: got.More}
	for i := range got.Lines {
		if i >= importedShown {
			p.More += len(got.Lines) - i
			break
		}
		p.Lines = append(p.Lines, importedLine(&got.Lines[i], dry))
	}
	for _, l := range got.LeftOut {
		p.LeftOut = append(p.LeftOut, l.What+": "+l.Why)
	}
	return show(ctx, w, http.StatusOK, web.Imported(p))
}

// importOptions reads what is decided on from a query.
func importOptions(r *http.Request) store.ImportOptions {
	return store.ImportOptions{Back: r.URL.Query().Get("back") == "yes"}
}

// importedLine is a line of the report, with the page of what is here now.
func importedLine(l *store.BundleLine, dry bool) web.ImportedLine {
	out := web.ImportedLine{What: l.What, Fate: string(l.Fate), Refused: l.Fate == store.FateRefused}
	subject := l.What
	if kind, _, named := strings.Cut(l.What, " "); named && l.As != "" {
		subject = kind + " " + l.As
		out.More = "here " + l.As
	}
	if l.Why != "" {
		if out.More != "" {
			out.More += ": "
		}
		out.More += l.Why
	}
	if l.Fate != store.FateRefused && (!dry || l.Fate == store.FateThere) {
		out.Link = linkOf(subject)
	}
	return out
}

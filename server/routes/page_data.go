package routes

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/problem"
	"ohmkeep/server/quantity"
	"ohmkeep/store"
	"ohmkeep/web"
)

func (s *Server) dataPages() []route {
	return []route{
		{"GET", "/data", store.Viewer, page, s.dataPage},
		{"POST", "/data/check", store.Operator, page, s.dataCheck},
		{"POST", "/data/check/cancel", store.Operator, control, s.dataCheckCancel},
		{"POST", "/data/backup", store.Owner, page, s.dataBackup},
		{"POST", "/data/notices/{id}", store.Owner, page, s.dataNotice},
		{"GET", "/export", store.Viewer, report, s.exportChosen},
		{"GET", "/runs.tar.gz", store.Viewer, report, s.exportHistory},
		{"POST", "/import", store.Owner, page, s.dataImport},
		{"GET", "/events", store.Viewer, report, s.eventsPage},
		{"GET", "/events.csv", store.Viewer, report, s.csvEvents},
	}
}

// dataPage is the page of what is kept: its check, its backups, what was seen at
// a start.
func (s *Server) dataPage(w http.ResponseWriter, r *http.Request) error {
	ctx, who := r.Context(), personOf(r.Context())
	p := web.DataProps{Page: s.frame(ctx, "What is kept", "/data"), Operator: who.Role >= store.Operator, Owner: who.Role >= store.Owner}
	notices, err := s.Store.Notices(ctx)
	if err != nil {
		return err
	}
	for _, n := range notices {
		p.Notices = append(p.Notices, web.DataNotice{ID: strconv.FormatInt(n.ID, 10), At: n.At, Text: sentence(n.Text)})
	}
	check := s.Keeper.CheckState()
	p.Met, p.Checking, p.Failed, p.Progress = check.Met, check.Running, check.Failed, progressWords(check.Progress)
	if c := check.Last; c != nil {
		p.Checked = &web.DataChecked{At: c.At, More: c.More, Words: fmt.Sprintf("%d runs, %d results, %d readings, %d documents and revisions, %d lines of the log, in %s",
			c.Runs, c.Results, c.Readings, c.Documents, c.Events, c.Took.Round(time.Millisecond))}
		for _, f := range c.Findings {
			p.Checked.Findings = append(p.Checked.Findings, web.DataFinding{Subject: f.Subject, Link: linkOf(f.Subject), What: f.What})
		}
	}
	backups, err := s.Keeper.BackupState(ctx)
	if err != nil {
		return err
	}
	p.BackingUp, p.Copied, p.Dir = backups.Running, progressWords(backups.Progress), backups.Dir
	p.Timetable = timetableWords(backups.Every, backups.Keep)
	for _, b := range backups.Made {
		p.Backups = append(p.Backups, web.DataBackup{At: b.At, Path: b.Path, Size: quantity.Bytes(float64(b.Size)), Took: b.Took.Round(time.Millisecond).String(), By: b.By, Error: b.Error})
	}
	return show(ctx, w, http.StatusOK, web.Data(p))
}

// progressWords says how far a check or a backup is.
func progressWords(p store.CheckProgress) string {
	if p.Total == 0 {
		return "waiting for its turn"
	}
	return fmt.Sprintf("%s, %d of %d", p.Stage, p.Done, p.Total)
}

// timetableWords says when backups are made, after the directory.
func timetableWords(every time.Duration, keep int) string {
	words := "whenever somebody asks; -backup-every has the server do it by itself"
	if every > 0 {
		words = "every " + strings.TrimSuffix(strings.TrimSuffix(every.String(), "0s"), "0m") + ", and whenever somebody asks"
	}
	if keep > 0 {
		words += fmt.Sprintf("; the newest %d are kept", keep)
	}
	return words + "."
}

// linkOf returns the address of the page of what a finding or a line of the log
// is about; "" where it is not known to have one.
func linkOf(subject string) string {
	kind, rest, _ := strings.Cut(subject, " ")
	key, _, _ := strings.Cut(rest, ",")
	switch kind {
	case "run":
		return "/runs/" + key
	case "device":
		return "/devices/" + key
	case "procedure":
		return "/procedures/" + key
	}
	return ""
}

func (s *Server) dataCheck(w http.ResponseWriter, r *http.Request) error {
	if err := s.Keeper.StartCheck(personOf(r.Context()).Name); err != nil {
		return err
	}
	return seeOther(w, r, "/data#check")
}

func (s *Server) dataCheckCancel(w http.ResponseWriter, r *http.Request) error {
	if err := s.Keeper.CancelCheck(); err != nil {
		return err
	}
	return seeOther(w, r, "/data#check")
}

func (s *Server) dataBackup(w http.ResponseWriter, r *http.Request) error {
	if err := s.Keeper.StartBackup(personOf(r.Context()).Name); err != nil {
		return err
	}
	return seeOther(w, r, "/data#backups")
}

func (s *Server) dataNotice(w http.ResponseWriter, r *http.Request) error {
	if err := s.takeNote(r); err != nil {
		return err
	}
	return seeOther(w, r, "/data")
}

// takeNote acknowledges the notice that a request's path names.
func (s *Server) takeNote(r *http.Request) error {
	id, err := strconv.ParseInt(chi.URLParam(r, "id"), 10, 64)
	if err != nil {
		return problem.NoSuch("notice of this number")
	}
	return s.Store.AcknowledgeNotice(r.Context(), id, personOf(r.Context()).Name)
}

// keepingNotices are what stands on every page about what is kept: to owners what
// a start has seen, to everybody who is signed in that something is damaged.
func (s *Server) keepingNotices(ctx context.Context, owner bool) (out []web.Notice) {
	if owner {
		notices, err := s.Store.Notices(ctx)
		if err != nil {
			s.fault(ctx, "notices not read", err)
		}
		for _, n := range notices {
			out = append(out, web.Notice{Kind: "problem", Text: sentence(n.Text) + ".", Link: "/data"})
		}
	}
	if met := s.Store.MetDamage(); len(met) > 0 {
		text := "Something that is kept is damaged: " + met[0]
		if len(met) > 1 {
			text += fmt.Sprintf(", and %d more", len(met)-1)
		}
		out = append(out, web.Notice{Kind: "problem", Text: text + ". What is not named can be used.", Link: "/data"})
	}
	return out
}

package routes

import (
	"encoding/hex"
	"net/http"
	"strconv"
	"time"

	"ohmkeep/server/apidoc"
	"ohmkeep/store"
)

func (s *Server) dataEndpoints() []endpoint {
	const tag = "data"
	return []endpoint{
		{route: route{"GET", "/data/check", store.Viewer, page, s.apiCheckData}, id: "getDataCheck", tag: tag,
			summary: "The check of the database at work, and the last one: what is damaged.", response: apiDataCheck{}},
		{route: route{"POST", "/data/check", store.Operator, page, s.apiStartCheckData}, id: "checkData", tag: tag, status: http.StatusAccepted,
			summary: "Begin to hold everything that is kept against its checksums.", response: apiDataCheck{}},
		{route: route{"DELETE", "/data/check", store.Operator, control, s.apiCancelCheckData}, id: "cancelDataCheck", tag: tag, status: http.StatusNoContent,
			summary: "Call the check of the database off."},
		{route: route{"GET", "/data/backups", store.Viewer, page, s.apiBackups}, id: "listBackups", tag: tag,
			summary: "The newest backups, newest first, with those that failed, and the one at work.", response: apiBackups{}},
		{route: route{"POST", "/data/backups", store.Owner, page, s.apiBackup}, id: "backUp", tag: tag, status: http.StatusAccepted,
			summary: "Begin to write a backup into the server's directory of backups.", response: apiBackups{}},
		{route: route{"GET", "/data/notices", store.Owner, page, s.apiNotices}, id: "listNotices", tag: tag,
			summary: "What starts of the server have seen of the database that nobody has taken note of.", response: apiList[store.StartNotice]{}},
		{route: route{"DELETE", "/data/notices/{id}", store.Owner, page, s.apiTakeNote}, id: "takeNote", tag: tag, status: http.StatusNoContent,
			summary: "Take note of what a start has seen."},
		{route: route{"GET", "/events", store.Viewer, report, s.apiEvents}, id: "listEvents", tag: tag,
			summary: "Who did what, newest first. Each line has the SHA-256 of the hash before and of itself.",
			query: append(eventParams[:len(eventParams):len(eventParams)],
				apidoc.Query("limit", "The most lines to answer with; 100 where it is left out.", apidoc.Whole(1, 1000)),
				apidoc.Query("cursor", "Where to go on: next of the answer before.", apidoc.Text(20))),
			response: apiList[apiLogLine]{}},
	}
}

// apiJob is how something at work in the background stands.
type apiJob struct {
	Running bool   `json:"running"`
	Stage   string `json:"stage,omitempty" doc:"what is being read or copied"`
	Done    int64  `json:"done" doc:"of the stage"`
	Total   int64  `json:"total"`
}

func jobOf(running bool, p store.CheckProgress) apiJob {
	if !running {
		return apiJob{}
	}
	return apiJob{true, p.Stage, p.Done, p.Total}
}

// apiDataCheck is how the check of the database stands.
type apiDataCheck struct {
	apiJob
	Last   *apiChecked `json:"last" doc:"the last check that came to its end since the start; null: none"`
	Failed string      `json:"failed,omitempty" doc:"why the last one did not"`
	Met    []string    `json:"met" doc:"what readers have met that is damaged, since the start"`
}

// apiChecked is a check that came to its end.
type apiChecked struct {
	At        time.Time   `json:"at"`
	Took      float64     `json:"took" doc:"seconds"`
	Runs      int64       `json:"runs"`
	Results   int64       `json:"results"`
	Readings  int64       `json:"readings"`
	Documents int64       `json:"documents" doc:"with their revisions"`
	Events    int64       `json:"events"`
	Findings  []apiDamage `json:"findings" doc:"what is damaged"`
	More      int         `json:"more,omitempty" doc:"findings beyond these"`
}

func (s *Server) apiCheckData(w http.ResponseWriter, _ *http.Request) error {
	return s.replyCheck(w, http.StatusOK)
}

func (s *Server) replyCheck(w http.ResponseWriter, status int) error {
	state := s.Keeper.CheckState()
	out := apiDataCheck{apiJob: jobOf(state.Running, state.Progress), Failed: state.Failed, Met: state.Met}
	if c := state.Last; c != nil {
		out.Last = &apiChecked{c.At, c.Took.Seconds(), c.Runs, c.Results, c.Readings, c.Documents, c.Events, nil, c.More}
		for _, f := range c.Findings {
			out.Last.Findings = append(out.Last.Findings, apiDamage(f))
		}
	}
	return reply(w, status, out)
}

func (s *Server) apiStartCheckData(w http.ResponseWriter, r *http.Request) error {
	if err := s.Keeper.StartCheck(personOf(r.Context()).Name); err != nil {
		return err
	}
	return s.replyCheck(w, http.StatusAccepted)
}

func (s *Server) apiCancelCheckData(w http.ResponseWriter, _ *http.Request) error {
	if err := s.Keeper.CancelCheck(); err != nil {
		return err
	}
	return noContent(w)
}

// apiDamage is one thing that a check found damaged.
type apiDamage struct {
	Subject string `json:"subject" doc:"such as: run 01a2…, or: device tarnel-6, revision 2"`
	What    string `json:"what"`
}

// apiLogLine is a line of the log of who did what.
type apiLogLine struct {
	ID      int64     `json:"id" doc:"without gaps"`
	At      time.Time `json:"at"`
	By      string    `json:"by"`
	Action  string    `json:"action"`
	Subject string    `json:"subject"`
	Detail  string    `json:"detail,omitempty"`
	Hash    string    `json:"hash" doc:"SHA-256, hexadecimal, of the hash before (32 bytes; none for line 1) and of the JSON list of id, Unix nanoseconds, by, action, subject, detail"`
	Broken  bool      `json:"broken,omitempty" doc:"it is not what was written, or the line before is not"`
}

// apiBackups is how backups stand.
type apiBackups struct {
	apiJob
	Dir   string          `json:"dir" doc:"directory on the server"`
	Every float64         `json:"every" doc:"seconds between two by the timetable; 0: only when asked for"`
	Keep  int             `json:"keep" doc:"how many are kept; 0: all"`
	Items []apiMadeBackup `json:"items"`
}

// apiMadeBackup is a backup that was made, or that failed.
type apiMadeBackup struct {
	At    time.Time `json:"at"`
	Took  float64   `json:"took" doc:"seconds"`
	Path  string    `json:"path"`
	Size  int64     `json:"size" doc:"bytes"`
	By    string    `json:"by"`
	Error string    `json:"error,omitempty" doc:"why it failed; absent: it was read again, whole"`
}

func (s *Server) apiBackups(w http.ResponseWriter, r *http.Request) error {
	return s.replyBackups(w, r, http.StatusOK)
}

func (s *Server) replyBackups(w http.ResponseWriter, r *http.Request, status int) error {
	state, err := s.Keeper.BackupState(r.Context())
	if err != nil {
		return err
	}
	out := apiBackups{apiJob: jobOf(state.Running, state.Progress), Dir: state.Dir, Every: state.Every.Seconds(), Keep: state.Keep}
	for _, b := range state.Made {
		out.Items = append(out.Items, apiMadeBackup{b.At, b.Took.Seconds(), b.Path, b.Size, b.By, b.Error})
	}
	return reply(w, status, out)
}

func (s *Server) apiBackup(w http.ResponseWriter, r *http.Request) error {
	if err := s.Keeper.StartBackup(personOf(r.Context()).Name); err != nil {
		return err
	}
	return s.replyBackups(w, r, http.StatusAccepted)
}

func (s *Server) apiNotices(w http.ResponseWriter, r *http.Request) error {
	notices, err := s.Store.Notices(r.Context())
	if err != nil {
		return err
	}
	return replyList(w, notices)
}

func (s *Server) apiTakeNote(w http.ResponseWriter, r *http.Request) error {
	if err := s.takeNote(r); err != nil {
		return err
	}
	return noContent(w)
}

func (s *Server) apiEvents(w http.ResponseWriter, r *http.Request) error {
	f, err := eventFilterOf(r.URL.Query())
	if err != nil {
		return err
	}
	limit := eventsPerPage
	if text := r.URL.Query().Get("limit"); text != "" {
		if limit, err = strconv.Atoi(text); err != nil {
			return err // the query has been checked
		}
	}
	events, err := s.Store.FindEvents(r.Context(), f, limit+1)
	if err != nil {
		return err
	}
	out := apiList[apiLogLine]{}
	if len(events) > limit {
		events, out.Next = events[:limit], strconv.FormatInt(events[limit-1].ID, 10)
	}
	for _, e := range events {
		out.Items = append(out.Items, apiLogLine{e.ID, e.At, e.By, e.Action, e.Subject, e.Detail, hex.EncodeToString(e.Hash), e.Broken})
	}
	return reply(w, http.StatusOK, out)
}

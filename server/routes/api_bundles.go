package routes

import (
	"errors"
	"io"
	"net/http"
	"os"
	"strings"
	"time"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

const mediaBundle = "application/gzip"

// exportParams choose what is exported; without any it is everything.
var exportParams = []param{
	apidoc.Query("runs", "Identifiers of runs, separated by commas: each with all that it was made with.", apidoc.Text(4000)),
	apidoc.Query("devices", "Keys of devices, separated by commas: each with its procedures and pin maps.", apidoc.Text(4000)),
	apidoc.Query("procedures", "Keys of procedures, separated by commas: each with its device.", apidoc.Text(4000)),
	apidoc.Query("benches", "Keys of benches, separated by commas.", apidoc.Text(4000)),
}

// dryParam has an import only say what it would do.
var dryParam = apidoc.Query("dry", "yes: nothing is written, and the answer says what would be.", apidoc.Text(0, "yes"))

// backParam has an import bring back what was deleted here.
var backParam = apidoc.Query("back", "yes: what was deleted here and is in the file is brought back.", apidoc.Text(0, "yes"))

func (s *Server) bundleEndpoints() []endpoint {
	const tag = "data"
	return []endpoint{
		{route: route{"GET", "/export", store.Viewer, report, s.exportChosen}, id: "export", tag: tag, query: exportParams, media: mediaBundle,
			summary: "Everything, or what is chosen, as one file for another server: a tar archive in gzip, with the SHA-256 of each part."},
		{route: route{"GET", "/runs.tar.gz", store.Viewer, report, s.exportHistory}, id: "exportHistory", tag: tag, query: filterParams, media: mediaBundle,
			summary: "Runs with all that they were made with, as one file for another server."},
		{route: route{"POST", "/import", store.Owner, page, s.apiImport}, id: "import", tag: tag, query: []param{dryParam, backParam}, requestMedia: mediaBundle, response: apiImported{},
			summary: "Bring in what such a file holds and is not here yet: all of it or nothing. What differs under the same name comes under its own."},
	}
}

// apiImported is what an import did, or, dry, would do.
type apiImported struct {
	Server   string          `json:"server" doc:"address of the server that the file is from"`
	Made     time.Time       `json:"made"`
	MadeBy   string          `json:"madeBy"`
	Choice   string          `json:"choice" doc:"what was chosen there, in words"`
	Sum      string          `json:"sum" doc:"SHA-256 that names the file by its content, hexadecimal"`
	Dry      bool            `json:"dry" doc:"nothing was written"`
	New      int             `json:"new"`
	There    int             `json:"there" doc:"here already, by content"`
	GoOn     int             `json:"goOn" doc:"documents with revisions beyond those here"`
	Renamed  int             `json:"renamed" doc:"under another key or number, since something else has theirs here"`
	Refused  int             `json:"refused"`
	Back     int             `json:"back" doc:"documents that were deleted here and are brought back"`
	Deleted  int             `json:"deleted" doc:"documents that were deleted here and stay so, without back"`
	Runs     int             `json:"runs" doc:"that come in"`
	Readings int64           `json:"readings" doc:"of these"`
	Lines    []apiBundleLine `json:"lines" doc:"what became of each, at most 10,000"`
	More     int             `json:"more,omitempty" doc:"lines beyond these"`
	LeftOut  []apiDamage     `json:"leftOut" doc:"what was not put into the file, and why"`
}

// apiBundleLine is what became of one document or run.
type apiBundleLine struct {
	What string `json:"what" doc:"such as: device tarnel-6, or: run 01a2…"`
	Fate string `json:"fate" doc:"new, there already, goes on, under another name, brought back, refused"`
	As   string `json:"as,omitempty" doc:"key or number here, where it is another one"`
	Why  string `json:"why,omitempty"`
}

// choiceOf reads what is chosen from a query.
func choiceOf(r *http.Request) store.Choice {
	q := r.URL.Query()
	keys := func(name string) (out []string) {
		for key := range strings.SplitSeq(q.Get(name), ",") {
			if key = strings.TrimSpace(key); key != "" {
				out = append(out, key)
			}
		}
		return out
	}
	c := store.Choice{Runs: keys("runs"), Devices: keys("devices"), Procedures: keys("procedures"), Benches: keys("benches")}
	c.All = c.Empty()
	return c
}

// exportChosen answers with a file of what the query chooses.
func (s *Server) exportChosen(w http.ResponseWriter, r *http.Request) error {
	return s.bundleAnswer(w, r, choiceOf(r))
}

// exportHistory answers with a file of the runs that the query's filter picks.
func (s *Server) exportHistory(w http.ResponseWriter, r *http.Request) error {
	f, err := filterOf(r.URL.Query())
	if err != nil {
		return err
	}
	return s.bundleAnswer(w, r, store.Choice{History: &f})
}

func (s *Server) bundleAnswer(w http.ResponseWriter, r *http.Request, c store.Choice) error {
	name := "ohmkeep-" + s.day()
	for _, keys := range [][]string{c.Runs, c.Devices, c.Procedures, c.Benches} {
		if len(keys) == 1 {
			name += "-" + shortRun(keys[0])
		}
	}
	from := store.BundleSource{Server: s.publicAddress(r), By: personOf(r.Context()).Name, Program: s.Version, Choice: c.Words()}
	return s.fileAnswer(r, &csvBody{w: w, name: name, media: mediaBundle, end: ".tar.gz"}, func(b *csvBody) error {
		_, err := s.Keeper.Export(r.Context(), b, c, from)
		return err
	})
}

// uploadWait is the time limit for a client to send the next block of a file.
const uploadWait = 30 * time.Second

// upload is the body of a request with a time limit for each block, in place of
// one for the whole: a large file on a slow line comes in.
type upload struct {
	body io.Reader
	wait func(time.Time) error
}

// Read implements io.Reader. What the client is at fault for is said to it.
func (u upload) Read(p []byte) (int, error) {
	if err := u.wait(time.Now().Add(uploadWait)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	n, err := u.body.Read(p)
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded), errors.Is(err, io.ErrUnexpectedEOF):
		err = problem.New(problem.Malformed, "The file was not sent whole.")
	}
	return n, err
}

func uploadOf(w http.ResponseWriter, r *http.Request, body io.Reader) io.Reader {
	return upload{body, http.NewResponseController(w).SetReadDeadline}
}

func (s *Server) apiImport(w http.ResponseWriter, r *http.Request) error {
	if r.Header.Get("Content-Type") != mediaBundle {
		return problem.New(problem.Unsupported, "Send the file as Content-Type: "+mediaBundle+".")
	}
	got, err := s.Keeper.Import(r.Context(), uploadOf(w, r, r.Body), r.ContentLength, personOf(r.Context()).Name, r.URL.Query().Get("dry") == "yes", importOptions(r))
	if err != nil {
		return err
	}
	out := apiImported{got.Server, got.Made, got.MadeBy, got.Choice, got.Sum, got.Dry, got.New, got.There, got.GoOn, got.Renamed, got.Refused, got.Back, got.Deleted, got.Runs, got.Readings, nil, got.More, nil}
	for _, l := range got.Lines {
		out.Lines = append(out.Lines, apiBundleLine{l.What, string(l.Fate), l.As, l.Why})
	}
	for _, l := range got.LeftOut {
		out.LeftOut = append(out.LeftOut, apiDamage{l.What, l.Why})
	}
	return reply(w, http.StatusOK, out)
}

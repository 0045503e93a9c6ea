package routes

import (
	"net/http"
	"net/url"

	"ohmkeep/server/form"
	"ohmkeep/web"
)

func (s *Server) benchNewPage(w http.ResponseWriter, r *http.Request) error {
	v := url.Values{"cards": {"1"}, "perCard": {"2"}, "contacts": {"48"}, "lineHz": {"50"}, "switchTime": {"2 ms"}, "ways": {"16"}, "return": {"1"}, "sense": {"1"}}
	return s.showBenchNew(w, r, http.StatusOK, web.Form{ID: "new", Values: v})
}

func (s *Server) showBenchNew(w http.ResponseWriter, r *http.Request, status int, f web.Form) error {
	return show(r.Context(), w, status, web.BenchNew(web.BenchNewProps{Page: s.frame(r.Context(), "Describe a bench", "/bench"), Form: f}))
}

func (s *Server) benchNewForm(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	def, ps := form.ReadNewBench(r.PostForm)
	typed := def.Key
	if typed == "" {
		key, err := s.Lab.FreeBenchKey(ctx, form.KeyFor(def.Name))
		if err != nil {
			return err
		}
		def.Key = key
	}
	if len(ps) == 0 {
		ps = form.NewBenchProblems(def.Check())
	}
	if len(ps) > 0 {
		return s.showBenchNew(w, r, http.StatusUnprocessableEntity, web.FormFrom("new", r.PostForm, ps))
	}
	_, err := s.Lab.SaveBench(ctx, personOf(ctx), def, 0)
	if err != nil {
		p := s.classify(r.Context(), err)
		if p.Status == http.StatusInternalServerError {
			return err
		}
		f := web.FormFrom("new", r.PostForm, p.Fields)
		if len(p.Fields) == 0 {
			f.Errors["key"] = sentence(p.Detail) + ": choose another key."
		}
		return s.showBenchNew(w, r, p.Status, f)
	}
	return seeOther(w, r, "/benches/"+def.Key+"/edit")
}

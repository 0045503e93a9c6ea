package routes

import (
	"net/http"
	"slices"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/web"
)

func (s *Server) procedureAboutForm(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	e, err := s.openProcedure(r)
	if err != nil {
		return err
	}
	from := postedRev(r.PostForm)
	p := e.stored.Body.Clone()
	ps := form.ReadProcedure(r.PostForm, &p, &e.device.Body)
	if r.PostForm.Get("do") == "rows" {
		e.about = &web.Form{ID: "about", Values: r.PostForm}
		return s.showProcedureEditor(w, r, http.StatusOK, e)
	}
	if err := p.Validate(&e.device.Body); err != nil {
		for _, q := range problemsOf(err, s) { // those of measurements are told in the list
			q.Field = form.ConditionField(q.Field, p.Conditions)
			if !strings.HasPrefix(q.Field, "measurements") && !slices.ContainsFunc(ps, func(x dut.Problem) bool { return x.Field == q.Field }) {
				ps = append(ps, q)
			}
		}
	}
	if len(ps) > 0 {
		shown := web.FormFrom("about", r.PostForm, ps)
		e.about = &shown
		return s.showProcedureEditor(w, r, http.StatusUnprocessableEntity, e)
	}
	if _, err = s.Lab.EditProcedure(ctx, personOf(ctx), p, from); isStale(err) {
		if err := s.conflicting(ctx, e, from, &p); err != nil {
			return err
		}
		shown := web.Form{ID: "about", Values: r.PostForm, Errors: map[string]string{"": "Not saved yet: look at what changed above, then save again."}}
		e.about = &shown
		return s.showProcedureEditor(w, r, http.StatusConflict, e)
	}
	if err != nil {
		return err
	}
	return seeOther(w, r, "/procedures/"+p.Key+"/edit#about")
}

package routes

import (
	"net/http"
	"net/url"
	"time"

	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/web"
)

// shareDays is the form of a link, with the days that it lasts at first.
func shareDays() web.Form { return web.Form{ID: "share", Values: url.Values{"days": {"30"}}} }

// lotShareForm offers a link to a lot's page, or to the result that it compares.
func lotShareForm(p *web.LotProps) *web.ShareForm {
	f := &web.ShareForm{Form: shareDays(), Subject: p.Lot, Kinds: []web.Option{{Value: store.LotShare, Label: "the whole lot"}}}
	for i := range p.Stats {
		if st := &p.Stats[i]; st.Selected {
			f.Result = resultKey(st)
			f.Kinds = append(f.Kinds, web.Option{Value: store.ComparisonShare, Label: "only " + f.Result})
		}
	}
	return f
}

// sharePageForm makes a link to a lot, a comparison or a device, and shows it,
// once.
func (s *Server) sharePageForm(w http.ResponseWriter, r *http.Request) error {
	ctx, f := r.Context(), r.PostForm
	days, err := daysOf(f.Get("days"))
	if err != nil {
		return problem.New(problem.Invalid, "Give whole days, 1 to 3650, or nothing for a link that stays.")
	}
	link, err := s.Lab.Share(ctx, personOf(ctx), shareRequest(f.Get("kind"), f.Get("subject"), f.Get("result"), days))
	if err != nil {
		return err
	}
	x := store.Share{Kind: link.Kind, Subject: link.Subject, Detail: link.Result}
	return show(ctx, w, http.StatusOK, web.NewKey(web.KeyProps{
		Page: s.frame(ctx, "A share link", "/access"), Title: "A share link", What: "Whoever has it can read one page: " + s.shareWords(ctx, &x) + ".",
		Link: s.publicAddress(r) + link.Path, Expires: link.Expires, Back: sharedPath(&x), BackTo: "Back to the page",
	}))
}

// shareRequest is what a link is to show; only a comparison has a result.
func shareRequest(kind, subject, result string, lasts time.Duration) lab.ShareRequest {
	if kind != store.ComparisonShare {
		result = ""
	}
	return lab.ShareRequest{Kind: kind, Subject: subject, Result: result, Expires: lasts}
}

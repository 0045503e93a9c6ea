package routes

import (
	"net/http"

	"ohmkeep/server/lab"
	"ohmkeep/web"
)

// toConfirmRows converts safety points to confirm into the page's rows.
func toConfirmRows(items []lab.ToConfirm) []web.ToConfirm {
	var out []web.ToConfirm
	for _, item := range items {
		out = append(out, web.ToConfirm(item))
	}
	return out
}

// askToConfirm shows the page that asks for confirmations, and sends the
// entered form again once they are given.
func (s *Server) askToConfirm(w http.ResponseWriter, r *http.Request, p *Problem, what string) error {
	a := p.unconfirmed
	props := web.ConfirmProps{
		Page: s.frame(r.Context(), "Before power", "/bench"), What: what, Action: r.URL.Path,
		Items: toConfirmRows(a.Open), Ticked: r.PostForm["confirm"], Carried: r.PostForm, TakesControl: a.TakesControl,
	}
	if a.Device != nil {
		props.Device, props.Socket = a.Device, &web.Socket{ID: "confirm-socket", Title: "The socket seen from above, with " + a.Device.Name,
			Contacts: s.bench(r.Context()).Definition.Contacts, Package: a.Device.Package, Pins: a.Device.Pins, Map: *a.PinMap, Bench: &s.bench(r.Context()).Definition}
	}
	return show(r.Context(), w, p.Status, web.Confirm(props))
}

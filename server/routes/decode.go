package routes

import (
	"errors"
	"io"
	"mime"
	"net/http"
	"reflect"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/check"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// apiTypes is the registry of the API's types: it makes their schemas and
// decodes by them.
var apiTypes = apidoc.NewTypes(map[reflect.Type][]string{
	reflect.TypeFor[check.Step](): words(check.Empty, check.Channels, check.Plug, check.Numbers),
	reflect.TypeFor[check.Kind](): words(check.EnableFloats, check.StuckClosed, check.StuckOpen, check.PathResistance, check.LeakyContact, check.PoorContact,
		check.OpenContact, check.WrongContact, check.ChannelDisagrees, check.OtherSocket, check.NotMeasured),
	reflect.TypeFor[check.Verdict](): words(check.Good, check.Partly, check.Faulty, check.NothingYet),
	reflect.TypeFor[store.Role]():    {store.Viewer.String(), store.Operator.String(), store.Owner.String()},
})

// decode reads the JSON body of a request. The content type must say JSON
// (415); the body must be what the document says, see apidoc.Decode (400, 422).
func decode[T any](r *http.Request) (T, error) {
	body, err := jsonBody(r)
	if err != nil {
		var v T
		return v, err
	}
	return apidoc.Decode[T](apiTypes, body)
}

// jsonBody is the body of a request that says it is JSON, as it was sent.
func jsonBody(r *http.Request) ([]byte, error) {
	if err := wantJSON(r.Header.Get("Content-Type")); err != nil {
		return nil, err
	}
	body, err := io.ReadAll(http.MaxBytesReader(nil, r.Body, maxBody))
	if tooLarge := new(http.MaxBytesError); err != nil && !errors.As(err, &tooLarge) {
		return nil, problem.New(problem.Malformed, "The request's body could not be read whole.")
	}
	return body, err
}

// wantJSON is the check of a request's content type: anything but JSON in
// UTF-8 is refused.
func wantJSON(contentType string) error {
	media, params, err := mime.ParseMediaType(contentType)
	if err != nil || media != "application/json" {
		return problem.New(problem.Unsupported, "Send the body as Content-Type: application/json.")
	}
	if c := params["charset"]; c != "" && c != "utf-8" && c != "UTF-8" {
		return problem.New(problem.Unsupported, "JSON is sent in UTF-8.")
	}
	return nil
}

func words[S ~string](list ...S) []string {
	out := make([]string, len(list))
	for i, w := range list {
		out[i] = string(w)
	}
	return out
}

package routes

import (
	"errors"
	"io"
	"mime"
	"net/http"
	"reflect"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// apiTypes is the registry of the API's types: it makes their schemas and
// decodes by them.
var apiTypes = apidoc.NewTypes(map[reflect.Type][]string{
	reflect.TypeFor[store.Role](): {store.Viewer.String(), store.Operator.String(), store.Owner.String()},
})

// decode reads the JSON body of a request. The content type must say JSON
// (415); the body must be what the document says, see apidoc.Decode (400, 422).
func decode[T any](r *http.Request) (T, error) {
	var v T
	if err := wantJSON(r.Header.Get("Content-Type")); err != nil {
		return v, err
	}
	body, err := io.ReadAll(http.MaxBytesReader(nil, r.Body, maxBody))
	if err != nil {
		if tooLarge := new(http.MaxBytesError); errors.As(err, &tooLarge) {
			return v, err
		}
		return v, problem.New(problem.Malformed, "The request's body could not be read whole.")
	}
	return apidoc.Decode[T](apiTypes, body)
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

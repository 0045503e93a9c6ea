package routes

import (
	"errors"
	"log/slog"
	"mime"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"regexp"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"ohmkeep/server/problem"
)

// hosts is the list of names that browsers may call the server by. Addresses
// are always allowed: a rebinding attack needs a name.
type hosts []string

func (h hosts) allow(hostport string) bool {
	name := hostport
	if host, _, err := net.SplitHostPort(hostport); err == nil {
		name = host
	}
	name = strings.ToLower(strings.Trim(strings.TrimSuffix(name, "."), "[]"))
	if _, err := netip.ParseAddr(name); err == nil {
		return true
	}
	return name == "localhost" || strings.HasSuffix(name, ".localhost") || slices.Contains(h, name)
}

// sameOrigin is the origin check of a WebSocket handshake. It is needed
// because a handshake is a GET, which cross-origin protection lets pass.
func (h hosts) sameOrigin(r *http.Request) bool {
	origin := r.Header.Get("Origin")
	if origin == "" {
		return true // not a browser
	}
	u, err := url.Parse(origin)
	return err == nil && strings.EqualFold(u.Host, r.Host) && h.allow(r.Host)
}

// OriginCheck returns the origin check of a WebSocket handshake for a server
// that is also called by these names.
func OriginCheck(names []string) func(*http.Request) bool { return hosts(names).sameOrigin }

func (h hosts) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !h.allow(r.Host) {
			http.Error(w, "This server does not answer to that host name. Start it with -hosts to add one.", http.StatusMisdirectedRequest)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// sameOriginOnly is the cross-origin protection: it refuses requests that
// another site's page sends with a person's cookie.
func (s *Server) sameOriginOnly(next http.Handler) http.Handler {
	protect := http.NewCrossOriginProtection()
	protect.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		writeProblem(w, r, classify(problem.New(problem.Forbidden, "This came from a page of another site."), s.Log))
	}))
	return protect.Handler(next)
}

// policy is the content security policy: pages load only what this server
// serves.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

func headers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin") // share links must not leak
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		next.ServeHTTP(w, r)
	})
}

// logged is the request log and the recovery from panics: a line for each
// request at debug level, an error for each panic of a handler. The query is
// left out: it can hold a key.
func logged(log *slog.Logger) func(http.Handler) http.Handler {
	return func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			start := time.Now()
			defer func() {
				if p := recover(); p != nil {
					if p == http.ErrAbortHandler {
						panic(p)
					}
					log.Error("handler panicked", "path", loggedPath(r), "panic", p, "stack", string(debug.Stack()))
					http.Error(w, "Something went wrong on the server. The log says more.", http.StatusInternalServerError)
				}
				log.Debug("request", "method", r.Method, "path", loggedPath(r), "took", time.Since(start))
			}()
			next.ServeHTTP(w, r)
		})
	}
}

// loggedPath returns the path of a request for the log without what may be the
// secret of a link or a key, wherever it stands: links are mangled on their way, and
// whoever reads the log could use them.
func loggedPath(r *http.Request) string {
	path := r.URL.Path
	if secret, shared := strings.CutPrefix(path, "/s/"); shared && secret != "" {
		_, rest, deeper := strings.Cut(secret, "/")
		if path = "/s/…"; deeper {
			path += "/" + rest
		}
	}
	return mayBeSecret.ReplaceAllString(path, "…")
}

// mayBeSecret is a text as long as a secret, which has 43 characters; ids of runs
// (36 with their hyphens) and names of our assets are shorter.
var mayBeSecret = regexp.MustCompile(`[A-Za-z0-9_-]{40,}`)

// readForm parses the whole form of a request. A form that cannot be parsed is
// the client's mistake: a broken escape, too many fields, a packed body, one
// that ends too soon.
func readForm(r *http.Request) error {
	if r.Method != http.MethodPost || slices.Contains(fileAddresses, r.URL.Path) {
		return nil
	}
	if coding := r.Header.Get("Content-Encoding"); coding != "" && coding != "identity" {
		return problem.New(problem.Malformed, "Forms are read as they are, not packed: this one was sent as "+coding+".")
	}
	err := r.ParseForm()
	if media, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type")); err == nil && media == "multipart/form-data" {
		err = r.ParseMultipartForm(maxBody)
	}
	var tooLarge *http.MaxBytesError
	if err == nil || errors.As(err, &tooLarge) {
		return err
	}
	return &problem.Error{Code: problem.Malformed, Message: "The form could not be read whole.", Err: err}
}

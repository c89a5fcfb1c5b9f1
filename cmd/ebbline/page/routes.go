package page

import (
	"net/http"
	"path"
	"slices"
	"strings"
)

// route is one thing the server answers, and for whom.
type route struct {
	pattern string // "METHOD /path" as http.ServeMux takes it
	access  access
	handle  http.HandlerFunc
}

// routes is all there is, pages first.
func (s *Server) routes() []route {
	return append([]route{
		{"GET /{$}", person, s.getOverview},
		{"GET /batch/{id}", person, s.getBatch},
		{"GET /batch/{id}/{form}", person, s.getForm},
		{"POST /batch/{id}/{form}", person, s.postForm},
		{"POST /alert", person, s.postAlert},
		{"GET /access", person, s.getAccess},
		{"POST /access", person, s.postAccess},
		{"GET /events", person, s.events},
		{"GET /a/{token}", anyone, s.getAnswer},
		{"POST /a/{token}", anyone, s.postAnswer},
		{"GET /login", anyone, s.getLogin},
		{"POST /login", anyone, s.postLogin},
		{"POST /logout", anyone, s.postLogout},
		{"GET /assets/{name...}", anyone, s.serveAsset},
		{"GET /favicon.ico", anyone, func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, s.assetURL("icon.svg"), http.StatusSeeOther)
		}},
	}, slices.Concat(s.deskRoutes(), s.viewRoutes(), s.afterRoutes(), s.welcomeRoutes(), s.apiRoutes())...)
}

// build wires routes and the layers around them, outermost last.
func (s *Server) build() (http.Handler, error) {
	mux := http.NewServeMux()
	for _, r := range s.routes() {
		mux.HandleFunc(r.pattern, s.guard(r.access, r.handle))
	}
	mux.HandleFunc("/", s.guard(anyone, func(w http.ResponseWriter, r *http.Request) { s.nowhere(w, r, mux) }))
	h, err := s.withOrigin(s.withSession(s.withText(mux)))
	if err != nil {
		return nil, err
	}
	outer := http.NewServeMux()
	outer.Handle("/", withHeaders(s.withHost(s.withLimits(h))))
	// What machines ask for has no login and answers to any name: Prometheus
	// scrapes by whatever name the machine has on its network.
	for path, h := range s.opts.Extra {
		outer.Handle(path, withHeaders(h))
	}
	return plainPaths(outer), nil
}

// nowhere answers for paths that do not exist and methods that do not fit.
func (s *Server) nowhere(w http.ResponseWriter, r *http.Request, mux *http.ServeMux) {
	if allowed := methods(r, mux); len(allowed) > 0 {
		w.Header().Set("Allow", strings.Join(allowed, ", "))
		if isAPI(r) {
			s.problem(w, r, http.StatusMethodNotAllowed, "Not with this method", "This path is not with this method: it takes "+strings.Join(allowed, ", ")+".")
			return
		}
		s.trouble(w, r, http.StatusMethodNotAllowed, "Not understood", "This page does not take that. Nothing was changed.")
		return
	}
	if isAPI(r) {
		s.problem(w, r, http.StatusNotFound, "Not there", "There is no such path. /api/v1/openapi.json lists all there are.")
		return
	}
	s.trouble(w, r, http.StatusNotFound, "Not there", "There is no such page. The overview leads to all there are.")
}

// methods are those that the path of a request has.
func methods(r *http.Request, mux *http.ServeMux) []string {
	var out []string
	for _, m := range []string{http.MethodGet, http.MethodPost, http.MethodPut, http.MethodDelete} {
		other := *r
		other.Method = m
		if _, pattern := mux.Handler(&other); pattern != "/" {
			out = append(out, m)
		}
	}
	return out
}

// plainPaths refuses paths that would have to be cleaned first: a mux cleans by
// a redirect, which would turn a POST into a GET.
func plainPaths(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if p := r.URL.EscapedPath(); p != "/" && path.Clean(p) != strings.TrimSuffix(p, "/") {
			http.NotFound(w, r)
			return
		}
		next.ServeHTTP(w, r)
	})
}

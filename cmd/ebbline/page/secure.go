package page

import (
	"fmt"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"unicode/utf8"
)

// largestForm and largestBatch bound what a request may carry, in bytes.
const (
	largestForm  = 64 << 10
	largestBatch = 256 << 10
)

// policy lets the page load its own files only, and nothing inline.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; " +
	"connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'; manifest-src 'self'"

// withHeaders sets what makes a browser careful.
func withHeaders(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		// "same-origin" also keeps the token of an acknowledge link at home.
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
		next.ServeHTTP(w, r)
	})
}

// withHost refuses names that are not ours, so that a foreign name pointed at
// this machine (DNS rebinding) reads nothing.
func (s *Server) withHost(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !s.ourName(r.Host) {
			s.refuse(w, r, http.StatusMisdirectedRequest, "Not our name", fmt.Sprintf("This page does not answer to the name %q. "+
				"Use its address, or set page.public_url to the name people use.", hostOnly(r.Host)))
			return
		}
		next.ServeHTTP(w, r)
	})
}

func (s *Server) ourName(hostPort string) bool {
	host := strings.ToLower(hostOnly(hostPort))
	if _, err := netip.ParseAddr(host); err == nil || loopbackName(host) {
		return true
	}
	if s.public != nil && host == strings.ToLower(s.public.Hostname()) {
		return true
	}
	for _, h := range s.opts.Hosts {
		if strings.EqualFold(h, host) {
			return true
		}
	}
	return false
}

// refuse answers before anything is known of the asker: to a script with problem
// details, to a browser in one line that loads nothing.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, status int, title, text string) {
	if strings.HasPrefix(r.URL.Path, "/api/") {
		s.problem(w, r, status, title, text)
		return
	}
	http.Error(w, text, status)
}

// withLimits bounds the body of every request.
func (s *Server) withLimits(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		limit := int64(largestForm)
		if r.URL.Path == "/new/file" || r.URL.Path == "/api/v1/batches" {
			limit = largestBatch
		}
		if r.ContentLength > limit {
			w.Header().Set("Connection", "close")
			s.refuse(w, r, http.StatusRequestEntityTooLarge, "Too much", fmt.Sprintf("That is too much: at most %d KiB are read here.", limit>>10))
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, limit)
		next.ServeHTTP(w, r)
	})
}

// withText refuses forms and questions that are broken or not UTF-8, in which
// every browser sends them: what is not text would be shown and kept as such.
func (s *Server) withText(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		err := isText(r.URL.Query())
		if kind, _, _ := strings.Cut(r.Header.Get("Content-Type"), ";"); err == nil && strings.TrimSpace(kind) == "application/x-www-form-urlencoded" {
			if err = r.ParseForm(); err == nil {
				err = isText(r.PostForm)
			}
		}
		switch {
		case err == nil:
			next.ServeHTTP(w, r)
		case isAPI(r):
			s.problem(w, r, http.StatusBadRequest, "Not understood", "Nothing was changed: "+err.Error()+".")
		default:
			s.trouble(w, r, http.StatusBadRequest, "Not understood", "The form arrived broken. Nothing was changed. Go back and send it again.")
		}
	})
}

func isText(form url.Values) error {
	for k, values := range form {
		for _, v := range append(slices.Clip(values), k) {
			if !utf8.ValidString(v) {
				return fmt.Errorf("the value of %q is not text in UTF-8", k)
			}
		}
	}
	return nil
}

// withOrigin refuses writes that another site's page sends.
func (s *Server) withOrigin(next http.Handler) (http.Handler, error) {
	guard := http.NewCrossOriginProtection()
	if s.public != nil {
		if err := guard.AddTrustedOrigin(s.public.Scheme + "://" + s.public.Host); err != nil {
			return nil, fmt.Errorf("trust public_url: %w", err)
		}
	}
	// An answer link carries its own authority: who does not know the token can
	// send nothing, and the button in a browser's notification comes from the
	// notification service's own page.
	guard.AddInsecureBypassPattern("POST /a/{token}")
	guard.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.refuse(w, r, http.StatusForbidden, "From another site", "Nothing was changed: the request came from another site's page.")
	}))
	return guard.Handler(next), nil
}

package page

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"
	"sync"
	"time"

	"ebbline/projection/gravity"
)

//go:embed templates/*.html
var templateFiles embed.FS

//go:embed assets
var assetFiles embed.FS

// templates are the page's, one a page, each with the frame and the parts. Each
// is parsed when it is first shown: nobody may look for weeks, and a start is
// short.
type templates struct {
	funcs  template.FuncMap
	mu     sync.Mutex
	parsed map[string]*template.Template
}

func newTemplates(funcs template.FuncMap) *templates {
	return &templates{funcs: funcs, parsed: map[string]*template.Template{}}
}

func (t *templates) get(name string) (*template.Template, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if p := t.parsed[name]; p != nil {
		return p, nil
	}
	p, err := template.New("").Funcs(t.funcs).ParseFS(templateFiles, "templates/frame.html", "templates/part_*.html", "templates/page_"+name+".html")
	if err != nil {
		return nil, fmt.Errorf("parse the page's templates: %w", err)
	}
	t.parsed[name] = p
	return p, nil
}

// funcs are what templates may call; times are shown by the server's clock.
func (s *Server) funcs() template.FuncMap {
	return template.FuncMap{
		"clock": func(t time.Time) string { return clock(t, s.opts.Now(), s.loc) },
		"ago":   func(t time.Time) string { return ago(t, s.opts.Now()) },
		"ahead": func(t time.Time) string { return ahead(t, s.opts.Now()) },
		"span":  span,
		"iso":   func(t time.Time) string { return t.UTC().Format(time.RFC3339) },
		"sg":    sg,
		"abv":   abv,
		"tie":   tie,
		"asset": s.assetURL,
		// What batch.js imports, so that a browser asks for it at once and not
		// module after module. Imports name no version.
		"modules": func() []string { return []string{"live.js", "steady.js", "graph.js", "ink.js", "scale.js", "zoom.js"} },
	}
}

// frame is what every page has.
type frame struct {
	Title string
	// Here is the page's place in the navigation: "batches", "sensors", "".
	Here   string
	LogOut bool
	// Live names the module that keeps the page fresh; empty: none.
	Script string
	Zone   string
	Demo   bool
	// Stating are the cautions wherever a strength is shown.
	Stating []string
	Body    any
}

// show writes a page. A template that fails half-way shows nothing of itself.
func (s *Server) show(w http.ResponseWriter, r *http.Request, status int, name string, f frame) {
	f.LogOut = sessionOf(r) != ""
	f.Zone = s.loc.String()
	if f.Zone == "Local" {
		f.Zone = s.opts.Now().In(s.loc).Format("MST")
	}
	f.Demo = s.opts.Open
	f.Stating = gravity.Cautions(gravity.Stating)
	var b bytes.Buffer
	t, err := s.pages.get(name)
	if err == nil {
		err = t.ExecuteTemplate(&b, "frame", f)
	}
	if err != nil {
		s.log.Error("page not shown", "page", name, "error", err)
		http.Error(w, "This page cannot be shown. The daemon's log says why.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	s.write(w, r, status, b.Bytes())
}

// trouble shows a page that says what went wrong.
func (s *Server) trouble(w http.ResponseWriter, r *http.Request, status int, title, text string) {
	s.show(w, r, status, "trouble", frame{Title: title, Body: text})
}

// write sends b, packed if the browser takes that and it is worth it.
func (s *Server) write(w http.ResponseWriter, r *http.Request, status int, b []byte) {
	w.Header().Add("Vary", "Accept-Encoding")
	if len(b) > 1400 && takesGzip(r) {
		b = pack(b)
		w.Header().Set("Content-Encoding", "gzip")
	}
	w.WriteHeader(status)
	if _, err := w.Write(b); err != nil {
		s.log.Debug("answer not delivered", "path", logged(r), "error", err)
	}
}

func takesGzip(r *http.Request) bool {
	for part := range strings.SplitSeq(r.Header.Get("Accept-Encoding"), ",") {
		name, q, _ := strings.Cut(strings.TrimSpace(part), ";")
		if name == "gzip" && strings.TrimSpace(q) != "q=0" {
			return true
		}
	}
	return false
}

// pack compresses; writing to memory cannot fail.
func pack(b []byte) []byte {
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	_, _ = z.Write(b)
	_ = z.Close()
	return out.Bytes()
}

// asset is a file of the page, plain and, once somebody has asked for it, packed.
type asset struct {
	mime, tag string
	plain     []byte
	packed    func() []byte
}

// packedAssets is packAssets, done once: they are part of the program.
var packedAssets = sync.OnceValues(packAssets) //nolint:gochecknoglobals // never changes

// packAssets reads the embedded assets by their path below assets/.
func packAssets() (map[string]asset, error) {
	all := map[string]asset{}
	err := fs.WalkDir(assetFiles, "assets", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := assetFiles.ReadFile(p)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(b)
		a := asset{mime: mimeOf(p), tag: base64.RawURLEncoding.EncodeToString(sum[:9]), plain: b, packed: sync.OnceValue(func() []byte { return pack(b) })}
		all[strings.TrimPrefix(p, "assets/")] = a
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read the page's assets: %w", err)
	}
	return all, nil
}

// mimeOf does not trust the machine's own table for the types that matter.
func mimeOf(p string) string {
	switch path.Ext(p) {
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".css":
		return "text/css; charset=utf-8"
	case ".svg":
		return "image/svg+xml"
	case ".json":
		return "application/json"
	}
	if t := mime.TypeByExtension(path.Ext(p)); t != "" {
		return t
	}
	return "text/plain; charset=utf-8"
}

// assetURL names an asset so that a new version is fetched and an old one is
// kept by the browser.
func (s *Server) assetURL(name string) string {
	return "/assets/" + name + "?v=" + s.assets[name].tag
}

func (s *Server) serveAsset(w http.ResponseWriter, r *http.Request) {
	a, ok := s.assets[r.PathValue("name")]
	if !ok {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	h.Set("Content-Type", a.mime)
	h.Set("ETag", `"`+a.tag+`"`)
	h.Set("Cache-Control", "no-cache")
	if r.URL.Query().Get("v") == a.tag {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	h.Add("Vary", "Accept-Encoding")
	if r.Header.Get("If-None-Match") == `"`+a.tag+`"` {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	body := a.plain
	if takesGzip(r) {
		body = a.packed()
		h.Set("Content-Encoding", "gzip")
	}
	if _, err := w.Write(body); err != nil {
		s.log.Debug("asset not delivered", "path", logged(r), "error", err)
	}
}

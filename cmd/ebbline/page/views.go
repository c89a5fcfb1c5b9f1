package page

import (
	"net/http"
	"strings"
)

// viewRoutes are the questions and choices of a batch's page.
func (s *Server) viewRoutes() []route {
	return []route{
		{"GET /batch/{id}/what-if", person, s.getWhatIf},
		{"POST /units", person, s.postUnits},
	}
}

// postUnits remembers the scales of this browser and goes back to where they
// were chosen.
func (s *Server) postUnits(w http.ResponseWriter, r *http.Request) {
	u := s.unitsOf(r)
	switch r.PostFormValue("scale") {
	case scaleSG:
		u.Plato = false
	case scalePlato:
		u.Plato = true
	case scaleCelsius:
		u.Fahrenheit = false
	case scaleDegree:
		u.Fahrenheit = true
	default:
		s.trouble(w, r, http.StatusUnprocessableEntity, "Not understood", "This scale is not known: sg, plato, Cel or degF.")
		return
	}
	s.keepUnits(w, r, u)
	to := r.PostFormValue("to")
	if !strings.HasPrefix(to, "/batch/") {
		to = "/"
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

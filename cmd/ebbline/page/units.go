package page

import (
	"net/http"
	"strings"

	"ebbline/projection/gravity"
)

// Units are the scales in which gravities and temperatures are typed and shown;
// false: SG and °C.
type Units struct{ Plato, Fahrenheit bool }

// unitsCookie remembers the scales of this browser. It says nothing of anyone.
const unitsCookie = "ebbline_units"

// The scales as forms and cookie spell them, contract §3.
const (
	scaleSG, scalePlato       = "sg", "plato"
	scaleCelsius, scaleDegree = "Cel", "degF"
)

// unitsOf are the scales that this browser last used, else the configuration's.
func (s *Server) unitsOf(r *http.Request) Units {
	c, err := r.Cookie(unitsCookie)
	if err != nil {
		return s.opts.Units
	}
	g, t, ok := strings.Cut(c.Value, ".")
	if !ok {
		return s.opts.Units
	}
	return Units{Plato: g == scalePlato, Fahrenheit: t == scaleDegree}
}

// keepUnits remembers the scales for a year.
func (s *Server) keepUnits(w http.ResponseWriter, r *http.Request, u Units) {
	http.SetCookie(w, &http.Cookie{
		Name: unitsCookie, Value: u.Scales(), Path: "/", MaxAge: 365 * 24 * 3600,
		HttpOnly: true, SameSite: http.SameSiteLaxMode, Secure: s.overTLS(r),
	})
}

// Scales spells both scales, such as "plato.Cel".
func (u Units) Scales() string { return u.gravityScale() + "." + u.temperatureScale() }

func (u Units) gravityScale() string {
	if u.Plato {
		return scalePlato
	}
	return scaleSG
}

func (u Units) temperatureScale() string {
	if u.Fahrenheit {
		return scaleDegree
	}
	return scaleCelsius
}

// gravityIn is an SG in the brewer's scale.
func (u Units) gravityIn(g float64) float64 {
	if u.Plato {
		return float64(gravity.SG(g).Plato())
	}
	return g
}

// GravityUnit is the name of the brewer's scale.
func (u Units) GravityUnit() string {
	if u.Plato {
		return "°P"
	}
	return "SG"
}

// gravityDigits is how many digits after the point an axis of gravity needs.
func (u Units) gravityDigits() int {
	if u.Plato {
		return 1
	}
	return 3
}

// temperatureIn is °C in the brewer's scale.
func (u Units) temperatureIn(c float64) float64 {
	if u.Fahrenheit {
		return gravity.Celsius(c).Fahrenheit()
	}
	return c
}

// TemperatureUnit is the name of the brewer's scale.
func (u Units) TemperatureUnit() string {
	if u.Fahrenheit {
		return "°F"
	}
	return "°C"
}

// gravityWith writes an SG with its spread in the brewer's scale.
func (u Units) gravityWith(g, sd float64) string {
	value, spread, unit := u.gravityFigure(g, sd)
	return value + " ± " + spread + " " + unit
}

// gravity writes an SG in the brewer's scale, with its unit.
func (u Units) gravity(g float64) string {
	if u.Plato {
		return minus(abv(float64(gravity.SG(g).Plato()))) + " °P"
	}
	return sg(g) + " SG"
}

// typedGravity writes an SG as it would be typed into a field.
func (u Units) typedGravity(g float64) string {
	if u.Plato {
		return abv(float64(gravity.SG(g).Plato()))
	}
	return sg(g)
}

// temperature writes °C in the brewer's scale, with its unit.
func (u Units) temperature(c float64) string {
	if u.Fahrenheit {
		return minus(tenth(gravity.Celsius(c).Fahrenheit())) + " °F"
	}
	return minus(tenth(c)) + " °C"
}

// typedTemperature writes °C as it would be typed into a field.
func (u Units) typedTemperature(c float64) string {
	if u.Fahrenheit {
		return trim(float64(int(gravity.Celsius(c).Fahrenheit()*10+0.5)) / 10)
	}
	return trim(c)
}

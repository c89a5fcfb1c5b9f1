package gravity

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestParseQuantities(t *testing.T) {
	volume := func(s string) (float64, error) { v, err := ParseVolume(s); return float64(v), err }
	temperature := func(s string) (float64, error) { v, err := ParseTemperature(s); return float64(v), err }
	gravity := func(s string) (float64, error) { v, err := ParseGravity(s); return float64(v), err }
	for name, c := range map[string]struct {
		parse func(string) (float64, error)
		text  string
		want  float64
		says  string // instead of a value
	}{
		"litres":              {volume, "19 L", 19, ""},
		"close to the number": {volume, "19L", 19, ""},
		"decimal comma":       {volume, "1,5 hL", 150, ""},
		"gallons":             {volume, "5 gal", 18.92705892, ""},
		"no unit":             {volume, "19", 0, "has no unit; write 19 L or 19 gal"},
		"unknown unit":        {volume, "19 bushels", 0, "L, mL, hL or gal (US)"},
		"negative volume":     {volume, "-19 L", 0, "must be above nought"},
		"no volume":           {volume, "much", 0, "does not start with a number"},
		"celsius":             {temperature, "20 Cel", 20, ""},
		"celsius as written":  {temperature, "20 °C", 20, ""},
		"fahrenheit":          {temperature, "36 degF", 20.0 / 9, ""},
		"kelvin":              {temperature, "293.15 K", 20, ""},
		"below nought":        {temperature, "-1.5 Cel", -1.5, ""},
		"no degree":           {temperature, "20", 0, "write 20 Cel or 20 degF"},
		"other degree":        {temperature, "16 degR", 0, "Cel, degF or K"},
		"boiling over":        {temperature, "300 Cel", 0, "allowed is -10 to 110"},
		"no temperature":      {temperature, "warm", 0, "20 Cel or 68 degF"},
		"gravity":             {gravity, "1.0155", 1.0155, ""},
		"gravity with unit":   {gravity, "1.0155 sg", 1.0155, ""},
		"extract":             {gravity, "10 plato", 1.040027, ""},
		"extract as written":  {gravity, "10 °P", 1.040027, ""},
		"refractometer":       {gravity, "10 brix", 1.040028, ""},
		"density":             {gravity, "1013.2 kg/m3", 1.015020, ""},
		"extract bare":        {gravity, "12", 0, "write 12 plato"},
		"too heavy":           {gravity, "1.3 sg", 0, "allowed is 0.980 to 1.200"},
		"far too much":        {gravity, "60 plato", 0, "allowed is 0.980 to 1.200"},
		"points":              {gravity, "15 points", 0, "none or sg, plato, brix or kg/m3"},
		"no number":           {gravity, "NaN", 0, "does not start with a number"},
		"endless":             {gravity, "1e999", 0, "does not start with a number"},
		"hexadecimal":         {gravity, "0x1p0", 0, "gravity"},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := c.parse(c.text)
			if c.says != "" {
				require.ErrorContains(t, err, c.says)
				return
			}
			require.NoError(t, err)
			require.InDelta(t, c.want, got, 5e-6)
		})
	}
}

func TestParseCeiling(t *testing.T) {
	for text, want := range map[string]Ceiling{
		"0.5": {Limit: 0.5}, "< 0.5": {0.5, true}, "<0,5": {0.5, true}, " 1.2 %": {Limit: 1.2}, "0": {},
	} {
		c, err := ParseCeiling(text)
		require.NoError(t, err, text)
		require.Equal(t, want, c)
	}
	for text, says := range map[string]string{
		"": "not a number", "> 0.5": "less than", "-0.1": "0 to 20", "50": "0 to 20", "< 0": "no beer has less", "half": "not a number", "NaN": "not a number",
	} {
		_, err := ParseCeiling(text)
		require.ErrorContains(t, err, says, text)
	}
}

func TestParseNames(t *testing.T) {
	for _, r := range Rules() {
		got, err := ParseRule(string(r))
		require.NoError(t, err)
		require.Equal(t, r, got)
	}
	got, err := ParseRule("")
	require.NoError(t, err)
	require.Equal(t, Balling, got)
	_, err = ParseRule("hall")
	require.ErrorContains(t, err, "balling, hmrc, linear, nonlinear or cautious")
	s, err := ParseSugar("")
	require.NoError(t, err)
	require.Equal(t, Sucrose, s)
	_, err = ParseSugar("honey")
	require.ErrorContains(t, err, "glucose_monohydrate")
	require.True(t, math.IsNaN(Sugar("honey").moles()))
}

// No text makes a parser accept what lies outside its range.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"19 L", "1.0155", "4 plato", "36 degF", "< 0.5", "1e999", "0x1p0", "-0", "°P", "1_0 L", "\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if v, err := ParseVolume(s); err == nil && !(v > 0 && finite(float64(v))) {
			t.Fatalf("volume %v from %q", v, s)
		}
		if c, err := ParseTemperature(s); err == nil && !(c >= -10 && c <= 110) {
			t.Fatalf("temperature %v from %q", c, s)
		}
		if g, err := ParseGravity(s); err == nil && !(g >= 0.98 && g <= 1.2) {
			t.Fatalf("gravity %v from %q", g, s)
		}
		if c, err := ParseCeiling(s); err == nil && c.Validate() != nil {
			t.Fatalf("ceiling %v from %q", c, s)
		}
	})
}

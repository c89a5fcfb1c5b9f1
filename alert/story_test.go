package alert

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

var update = flag.Bool("update", false, "write the golden files anew")

// hour is a moment in hours after the pitch.
func hour(h float64) time.Time {
	return pitch.Add(time.Duration(h * float64(time.Hour))).Round(time.Second)
}

// belief0 is a belief about a beer that drops so many points and may cross its
// ceiling (0.5 % ABV at 3.9 points) at cross hours, to be crashed by by hours.
func belief0(drop, sd float64, by, bySD, cross, p float64) (projection.Estimate, projection.Projection) {
	abv := gravity.ABV(drop * 0.128)
	e := projection.Estimate{
		Gravity: gravity.Points(13.2 - drop).SG(), GravitySD: gravity.SG(sd / 1000), ABV: abv, ABVSD: gravity.ABV(sd * 0.13),
	}
	pr := projection.Projection{
		Crosses:   projection.Crossing{Probability: p},
		ABVIfLeft: projection.Quantiles{P10: 0.41, P50: 0.66, P90: 0.9}, ABVIfCrashedNow: projection.Quantiles{P10: abv, P50: abv + 0.06, P90: abv + 0.11},
		OverIfCrashedNow: 0.03, CrashBySD: time.Duration(bySD * float64(time.Hour)),
	}
	if !math.IsNaN(by) {
		t := hour(by)
		pr.CrashBy = &t
		// If it narrows as the present gravity does.
		left := bySD * 0.43 / math.Hypot(sd, 0.43)
		pr.Sampled = &projection.SampleWorth{SD: time.Duration(left * float64(time.Hour))}
	}
	if p > 0.9 {
		a, b, c := hour(cross-4), hour(cross), hour(cross+6)
		pr.Crosses.P10, pr.Crosses.P50, pr.Crosses.P90 = &a, &b, &c
	}
	return e, pr
}

var no = math.NaN()

// plain drops from 20 h on and must be crashed by 51 h 40 min.
func plain(at time.Time, b *scripted) (projection.Estimate, projection.Projection) {
	h := at.Sub(pitch).Hours()
	until := h
	if b.Crash != nil {
		until = math.Min(h, b.Crash.Sub(pitch).Hours()+4)
	}
	drop := math.Max(0, until-20) * 0.09
	if b.Crash != nil {
		e, p := belief0(drop, 0.45, no, 0, 0, 0.04)
		p.ABVIfLeft = projection.Quantiles{P10: 0.38, P50: 0.43, P90: 0.47}
		return e, p
	}
	return belief0(drop, 0.5, 51.67, math.Max(1, (52-h)/4), 66, 0.97)
}

// story drives a watch and writes down what a person would see of it.
type story struct {
	t     *testing.T
	w     *Watch
	b     projection.Batch
	out   strings.Builder
	temp  func(h float64) float64 // °C; nil: no thermometer
	alive func(h float64) bool    // the sensor gives readings
	told  []Event                 // the alerts raised so far
}

func tell(t *testing.T, b projection.Batch, o Options, s *scripts) *story {
	o.believe = s
	w, err := NewWatch(b, o)
	require.NoError(t, err)
	return &story{t: t, w: w, b: b, alive: func(float64) bool { return true }}
}

// until lets the hours pass with a reading every quarter of an hour.
func (s *story) until(h float64) *story {
	for now := s.w.Now(); !now.After(hour(h)); now = now.Add(15 * time.Minute) {
		at := now.Sub(pitch).Hours()
		if !s.alive(at) {
			s.hear(s.w.Tick(now))
			s.again()
			continue
		}
		obs := []projection.Observation{{Time: now, Sensor: "float-1", Quantity: projection.Gravity, Value: 1.01}}
		if s.temp != nil {
			obs = append(obs, projection.Observation{Time: now, Sensor: "float-1", Quantity: projection.Temperature, Value: s.temp(at)})
		}
		s.hear(s.w.Observe(now, obs...))
		s.again()
	}
	return s
}

// again says all that is open anew: what was raised just now as it was raised, and
// no time to do something by that has passed.
func (s *story) again() {
	now := s.w.Now().In(s.w.opts.Location)
	for _, key := range s.w.book.subjects() {
		kind, n := kindOf(key), s.w.book.Entries[key].N
		r, past := s.w.Retell(kind, n)
		if r == nil {
			require.Equal(s.t, kind == CrashSoon, past, key)
			continue
		}
		readable(s.t, r.Title)
		readable(s.t, r.Message)
		for _, due := range dueToday.FindAllStringSubmatch(r.Title+" "+r.Message, -1) {
			require.Greater(s.t, due[1], now.Format("15:04"), "%s: %s", key, r.Message)
		}
		for _, e := range s.told {
			if a := e.Alert; a.Kind == kind && a.N == n && e.Time.Equal(s.w.Now()) && !strings.HasPrefix(a.Title, "Crash moved") {
				require.Equal(s.t, []string{a.Title, a.Message}, []string{r.Title, r.Message})
			}
		}
	}
}

var dueToday = regexp.MustCompile(`(?:starting|crash|Crash) by ([0-9]{2}:[0-9]{2}) today`)

func (s *story) enter(what string, in Input) *story {
	fmt.Fprintf(&s.out, "%s  (%s)\n\n", stamp(s.w.Now()), what)
	s.hear(s.w.Enter(s.w.Now(), in))
	return s
}

// page writes down the sentence of the page.
func (s *story) page() *story {
	fmt.Fprintf(&s.out, "%s  page: %s\n\n", stamp(s.w.Now()), Sentence(s.b, s.w.State()))
	return s
}

func (s *story) hear(events []Event) {
	for _, e := range events {
		switch {
		case e.Alert != nil:
			a := e.Alert
			s.told = append(s.told, e)
			fmt.Fprintf(&s.out, "%s  %s %d, %s\n    %s\n    %s\n\n", stamp(e.Time), a.Kind, a.N, a.Severity, a.Title, a.Message)
			readable(s.t, a.Title)
			readable(s.t, a.Message)
			require.LessOrEqual(s.t, utf8.RuneCountInString(a.Title), 64, "a title fits a lock screen: %s", a.Title)
			require.NotEmpty(s.t, a.Cause, "the record knows why: %s", a.Message)
			s.sameAsPage(e.Time, a)
		case e.Resolved != nil:
			fmt.Fprintf(&s.out, "%s  %s %d resolved: %s\n\n", stamp(e.Time), e.Resolved.Kind, e.Resolved.N, e.Resolved.Why)
		}
	}
	readable(s.t, Sentence(s.b, s.w.State()))
}

// sameAsPage requires that the gravest alert begins with what the page says.
func (s *story) sameAsPage(at time.Time, a *Alert) {
	st := s.w.State()
	switch a.Kind {
	case SensorSilent, SensorSuspect, PH, Temperature, SampleDue:
		return // beside what the page says of the batch, not in its place
	}
	if a.Kind == OverCeiling && (st.is(NotCooling) || st.is(StillFermenting)) {
		return // the page says first what can still be mended
	}
	if st.has(StillFermenting, "warm") && st.has(StillFermenting, "falling") {
		return
	}
	if !at.Equal(st.Now) || len(st.Open) == 0 || st.Open[0] != a.Kind {
		return
	}
	first, _, _ := strings.Cut(Sentence(s.b, st), ". ")
	require.True(s.t, strings.HasPrefix(a.Message, strings.TrimSuffix(first, ".")), "the page says %q, the phone %q", first, a.Message)
}

func stamp(t time.Time) string { return t.UTC().Format("Mon 02 15:04") }

// readable refuses what no person should see.
func readable(t *testing.T, text string) {
	for _, bad := range []string{"%!", "NaN", "Inf", "  ", "..", " .", "safe ", "-0.0", "0001"} {
		require.NotContains(t, strings.ReplaceAll(text, "unsafe ", ""), bad)
	}
}

func (s *story) golden(name string) {
	path := filepath.Join("testdata", name+".golden")
	if *update {
		require.NoError(s.t, os.WriteFile(path, []byte(s.out.String()), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(s.t, err)
	require.Equal(s.t, string(want), s.out.String())
}

// raised counts the alerts of a story by kind.
func (s *story) raised(k Kind) int { return s.w.book.Counts[k] }

func (s *story) total() int { return s.w.book.total() }

// cooling is 18 °C until a crash at start, then Newton's law to 2 °C with the
// batch's own 5 h.
func cooling(start float64) func(float64) float64 {
	return func(h float64) float64 {
		if h <= start {
			return 18
		}
		return 2 + 16*math.Exp(-(h-start)/5)
	}
}

func crashed(at time.Time) Input { return Input{CrashStarted: &at} }

func TestStoryOfAPlainBatch(t *testing.T) {
	s := tell(t, brew(), Options{}, &scripts{script: plain})
	s.temp = cooling(51.5)
	s.until(3).page().until(30).page().until(45).page().until(51.5).page()
	s.enter("the crash is started", crashed(s.w.Now())).page()
	s.until(60).page().until(75).page()
	s.enter("a pH of 3.8 is measured", Input{Sample: &projection.Sample{Time: s.w.Now(), PH: ptr(3.8)}}).page()
	now := s.w.Now()
	s.enter("the beer is kegged", Input{Packaged: &now}).page()
	require.LessOrEqual(t, s.total(), 8)
	s.golden("plain")
}

func TestStoryOfSilence(t *testing.T) {
	s := tell(t, brew(), Options{}, &scripts{script: plain})
	s.temp = cooling(1000)
	s.alive = func(h float64) bool { return h < 41.67 || h > 58 }
	s.until(45).page().until(52).page()
	require.Equal(t, 1, s.raised(CrashNow), "silence delays nothing")
	s.until(59).page()
	s.golden("silence")
}

func TestStoryOfABatchThatRestsBelow(t *testing.T) {
	script := func(at time.Time, _ *scripted) (projection.Estimate, projection.Projection) {
		h := at.Sub(pitch).Hours()
		drop := 2.4 * (1 - math.Exp(-math.Max(0, h-15)/20))
		switch {
		case h < 40:
			return belief0(drop, 0.5, 60, 14, 0, 0.3)
		case h < 80:
			e, p := belief0(drop, 0.4, no, 0, 0, 0.02)
			p.ABVIfLeft = projection.Quantiles{P10: 0.27, P50: 0.31, P90: 0.38}
			return e, p
		}
		e, p := belief0(drop+(h-80)*0.02, 0.4, 120, 9, 0, 0.35)
		p.ABVIfLeft = projection.Quantiles{P10: 0.37, P50: 0.46, P90: 0.58}
		return e, p
	}
	s := tell(t, brew(), Options{}, &scripts{script: script})
	s.until(30).page().until(70).page().until(90).page()
	require.Equal(t, 1, s.raised(StaysBelow))
	s.golden("below")
}

func TestStoryOfABatchThatGoesOver(t *testing.T) {
	script := func(at time.Time, b *scripted) (projection.Estimate, projection.Projection) {
		h := at.Sub(pitch).Hours()
		e, p := plain(at, &scripted{})
		p.OverNow = math.Min(1, math.Max(0, (h-60)/12))
		p.OverIfCrashedNow = math.Min(1, math.Max(0.05, (h-51)/12))
		if b.Crash != nil {
			p.CrashBy = nil
		}
		return e, p
	}
	s := tell(t, brew(), Options{Plato: true, Location: time.FixedZone("CET", 3600)}, &scripts{script: script})
	s.temp = cooling(72)
	s.until(57).page().until(68).page().until(71.5)
	s.enter("the crash is started", crashed(s.w.Now())).page()
	s.until(100)
	require.Equal(t, 1, s.raised(OverCeiling))
	require.Equal(t, 1, s.raised(CrashNow))
	s.golden("over")
}

func TestStoryOfTroubleBeforeTheCrash(t *testing.T) {
	script := func(at time.Time, b *scripted) (projection.Estimate, projection.Projection) {
		h := at.Sub(pitch).Hours()
		sd := 9.0
		if b.Samples > 0 {
			sd = 2
		}
		return belief0(math.Max(0.1, (h-50)*0.08), 0.5, 95, sd, 112, 0.95)
	}
	doubts := func(at time.Time) []projection.Suspicion {
		switch h := at.Sub(pitch).Hours(); {
		case h > 56 && h < 62:
			return []projection.Suspicion{{Sensor: "float-1", Doubt: projection.Jumping, Size: 0.4}}
		case h > 75 && h < 78:
			return []projection.Suspicion{{Sensor: "float-1", Doubt: projection.Contradicted, Size: 4}}
		}
		return nil
	}
	s := tell(t, brew(), Options{Range: &Range{Low: 16, High: 20}}, &scripts{script: script, doubts: doubts})
	s.temp = func(h float64) float64 {
		if h > 20 && h < 30 {
			return 21.4
		}
		return 18
	}
	s.until(40).page().until(74)
	s.enter("a sample is taken", Input{Sample: &projection.Sample{Time: s.w.Now(), Gravity: ptr(gravity.SG(1.0113))}}).until(80)
	for _, k := range []Kind{NotStarted, Temperature, SampleDue} {
		require.Equal(t, 1, s.raised(k), k)
	}
	require.Equal(t, 2, s.raised(SensorSuspect))
	s.golden("trouble")
}

func TestStoryOfTroubleAfterTheCrash(t *testing.T) {
	script := func(at time.Time, b *scripted) (projection.Estimate, projection.Projection) {
		h := at.Sub(pitch).Hours()
		e, p := plain(at, b)
		if b.Crash != nil && h > 85 {
			fall := math.Min(1.2, (h-85)*0.05)
			e.Gravity -= gravity.SG(fall / 1000)
			e.ABV += gravity.ABV(fall * 0.13)
			p.Crosses.Probability = math.Min(0.9, 0.04+(h-85)*0.02)
			p.ABVIfLeft = projection.Quantiles{P10: 0.46, P50: 0.53, P90: 0.61}
		}
		return e, p
	}
	s := tell(t, brew(), Options{}, &scripts{script: script})
	s.temp = func(h float64) float64 {
		switch {
		case h < 56:
			return 18 // the plug was off
		case h > 110 && h < 116:
			return 8.5
		}
		return cooling(56)(h)
	}
	s.until(51.5).enter("the crash is started", crashed(s.w.Now())).until(56).page().until(95)
	s.enter("a pH of 4.3 is measured", Input{Sample: &projection.Sample{Time: s.w.Now(), PH: ptr(4.3)}})
	s.until(115).page().until(120).page()
	now := s.w.Now()
	s.enter("the beer is bottled", Input{Packaged: &now, Into: bottle}).page()
	for _, k := range []Kind{NotCooling, OverCeiling} {
		require.Equal(t, 1, s.raised(k), k)
	}
	require.Equal(t, 3, s.raised(StillFermenting), "falling, warm, and packaged like that")
	require.Equal(t, 2, s.raised(PH), "none, then too high")
	s.golden("aftermath")
}

// The crash falls due at ten past three. The evening before brings the choices,
// the night nothing but the order itself.
func TestStoryOfANight(t *testing.T) {
	script := func(at time.Time, b *scripted) (projection.Estimate, projection.Projection) {
		h := at.Sub(pitch).Hours()
		if b.Crash != nil {
			return plain(at, b)
		}
		return belief0(math.Max(0, h-20)*0.09, 0.5, 57.17, math.Max(1, (57-h)/4), 70, 0.97)
	}
	o := Options{Quiet: &Quiet{From: 22*60 + 30, To: 6*60 + 30}, Range: &Range{Low: 14, High: 20}}
	s := tell(t, brew(), o, &scripts{script: script})
	s.temp = func(h float64) float64 {
		if h > 54 && h < 57 {
			return 20.5 // too warm in the night: told in the morning, if it lasts
		}
		return cooling(57)(h)
	}
	s.until(51).page().until(56.5).page().until(57)
	s.enter("the crash is started", crashed(s.w.Now())).until(75).page()
	require.Equal(t, 1, s.raised(CrashNow))
	require.Equal(t, 0, s.raised(Temperature), "it was over by the morning")
	s.golden("night")
}

// What was told of the crash's time is told again only if it is off by more than
// the spread that was told with it.
func TestStoryOfACrashThatMoves(t *testing.T) {
	script := func(at time.Time, b *scripted) (projection.Estimate, projection.Projection) {
		h := at.Sub(pitch).Hours()
		by := 51.67
		switch {
		case h > 46:
			by = 55.5
		case h > 44:
			by = 53 // by less than was told: no news
		}
		if b.Crash != nil {
			return plain(at, b)
		}
		return belief0(math.Max(0, h-20)*0.08, 0.5, by, 3, 70, 0.97)
	}
	s := tell(t, brew(), Options{Fahrenheit: true}, &scripts{script: script})
	s.temp = cooling(55)
	s.until(45).page().until(50).page().until(55.25)
	require.Equal(t, 3, s.raised(CrashSoon), "12 h, moved, 3 h")
	s.enter("the crash is started", crashed(s.w.Now())).until(70).page()
	s.enter("a pH of 3.7 is measured", Input{Sample: &projection.Sample{Time: s.w.Now(), PH: ptr(3.7)}})
	now := s.w.Now()
	s.enter("the beer is bottled", Input{Packaged: &now, Into: bottle}).page()
	require.LessOrEqual(t, s.total(), 8)
	s.golden("moved")
}

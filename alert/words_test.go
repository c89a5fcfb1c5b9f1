package alert

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ebbline/projection"
	"ebbline/projection/gravity"
)

func TestMomentsAreSaidAsAPersonWould(t *testing.T) {
	utc := func(s string) time.Time {
		at, err := time.Parse(time.RFC3339, s)
		require.NoError(t, err)
		return at
	}
	east := time.FixedZone("east", 2*3600)
	cases := map[string]struct {
		now, at string
		loc     *time.Location
		want    string
	}{
		"today":              {"2026-03-04T18:00:00Z", "2026-03-04T21:40:00Z", time.UTC, "21:40 today"},
		"past midnight":      {"2026-03-04T23:50:00Z", "2026-03-05T03:10:00Z", time.UTC, "03:10 tomorrow, Thu"},
		"yesterday":          {"2026-03-04T00:10:00Z", "2026-03-03T23:50:00Z", time.UTC, "23:50 yesterday"},
		"later":              {"2026-03-04T18:00:00Z", "2026-03-09T06:05:00Z", time.UTC, "06:05 on Mon 9 Mar"},
		"another year":       {"2026-12-30T18:00:00Z", "2027-01-03T06:05:00Z", time.UTC, "06:05 on Sun 3 Jan 2027"},
		"new year's eve":     {"2026-12-31T18:00:00Z", "2027-01-01T06:05:00Z", time.UTC, "06:05 tomorrow, Fri"},
		"by the zone's date": {"2026-03-04T21:30:00Z", "2026-03-04T22:30:00Z", east, "00:30 tomorrow, Thu"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			require.Equal(t, c.want, words{now: utc(c.now), loc: c.loc}.at(utc(c.at)))
		})
	}
}

func TestSpansAndSpreadsAreCoarse(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "0 min", 40 * time.Minute: "40 min", time.Hour: "1 h", 150 * time.Minute: "2 h 30 min", 14*time.Hour + 10*time.Minute: "14 h", 75 * time.Hour: "3 days",
	} {
		require.Equal(t, want, span(d), d)
	}
	for d, want := range map[time.Duration]string{
		0: "5 min", 23 * time.Minute: "25 min", 55 * time.Minute: "1 h", 100 * time.Minute: "2 h", 50 * time.Hour: "2 days",
	} {
		require.Equal(t, want, spread(d), d)
	}
}

func TestProbabilitiesAreSaidAsFrequencies(t *testing.T) {
	for p, want := range map[float64]string{
		0: "fewer than 1 of 100 cases", 0.02: "2 of 100 cases", 0.05: "1 of 20 cases", 0.5: "10 of 20 cases",
		0.95: "19 of 20 cases", 0.98: "98 of 100 cases", 1: "more than 99 of 100 cases",
	} {
		require.Equal(t, want, cases(p), p)
	}
}

// A chance that is less than promised never reads like the promise.
func TestTheChanceThatTheCeilingHoldsIsNeverFlattered(t *testing.T) {
	for p, want := range map[float64]string{
		0: "fewer than 1 of 20 cases", 0.05: "1 of 20 cases", 0.949: "18 of 20 cases", 1 - 0.05: "19 of 20 cases",
		0.979: "97 of 100 cases", 1 - 0.02: "98 of 100 cases", 1: "more than 99 of 100 cases",
	} {
		require.Equal(t, want, holds(p), p)
	}
}

// ASBC, as in the project's fact sheet: 1.0132 is 3.37 °P (cubic, computed).
func TestGravityInPlato(t *testing.T) {
	w := words{plato: true}
	require.Equal(t, "3.4 ± 0.1 °P", w.gravity(&projection.Estimate{Gravity: 1.0132, GravitySD: 0.0004}))
	require.Equal(t, "SG 1.0132 ± 0.0004", words{}.gravity(&projection.Estimate{Gravity: 1.0132, GravitySD: 0.0004}))
	require.Equal(t, "0.3 ± 0.1 °P", w.points(1.2, 0.4))
	require.Equal(t, "1.2 ± 0.4 gravity points", words{}.points(1.2, 0.4))
}

// The balance of alcohol: 19 L at 0.57 % hold 0.1083 L; at 0.5 % they fill
// 21.66 L.
func TestDilutionFollowsTheBalanceOfAlcohol(t *testing.T) {
	b := brew()
	require.Contains(t, mend(words{}, &b, projection.Quantiles{P50: 0.57, P90: 0.63}), "19.0 L with 2.7 L")
	require.Contains(t, mend(words{}, &b, projection.Quantiles{P50: 0.57, P90: 0.63}), "with 4.9 L it is under in 9 of 10")
	require.Contains(t, mend(words{fahr: true}, &b, projection.Quantiles{P50: 0.57, P90: 0.63}), "Diluting the 5.0 US gal with 0.70 US gal")
	b.Volume = 0
	require.Contains(t, mend(words{}, &b, projection.Quantiles{P50: 0.57, P90: 0.63}), "with 14 % of its volume")
}

func TestShortNamesFitALockScreen(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := short(rapid.String().Draw(t, "name"))
		require.LessOrEqual(t, len([]rune(s)), 24)
	})
}

func TestLinesHaveExactlyTheFieldsOfTheContract(t *testing.T) {
	at := time.Date(2026, 3, 4, 19, 0, 0, 123456789, time.FixedZone("CET", 3600))
	by := at.Add(time.Hour)
	cases := map[string]struct {
		event Event
		want  string
	}{
		"estimate": {
			Event{Time: at, Estimate: &projection.Estimate{Gravity: 1.01083333, GravitySD: 0.000456789, ABV: 0.312345, ABVSD: 0.054321, Temperature: ptr(gravity.Celsius(18.126))}},
			`{"type":"estimate","time":"2026-03-04T18:00:00.123456789Z","gravity":1.01083,"gravity_sd":0.000457,"abv":0.3123,"abv_sd":0.0543,"temperature":18.13}`,
		},
		"no thermometer, no minus nought": {
			Event{Time: at.Truncate(time.Second), Estimate: &projection.Estimate{Gravity: 1.01, GravitySD: 0.0004, ABV: -0.00001}},
			`{"type":"estimate","time":"2026-03-04T18:00:00Z","gravity":1.01,"gravity_sd":0.0004,"abv":0,"abv_sd":0,"temperature":null}`,
		},
		"projection": {
			Event{Time: at.Truncate(time.Second), Projection: &projection.Projection{
				Crosses: projection.Crossing{Probability: 0.61234567, P10: &by}, CrashBy: &by,
				ABVIfLeft: projection.Quantiles{P10: 0.1, P50: 0.2, P90: 0.3}, ABVIfCrashedNow: projection.Quantiles{P10: 0.01, P50: 0.02, P90: 0.03},
			}},
			`{"type":"projection","time":"2026-03-04T18:00:00Z","crosses":{"probability":0.6123,"p10":"2026-03-04T19:00:00Z","p50":null,"p90":null},` +
				`"crash_by":"2026-03-04T19:00:00Z","abv_if_left":{"p10":0.1,"p50":0.2,"p90":0.3},"abv_if_crashed_now":{"p10":0.01,"p50":0.02,"p90":0.03}}`,
		},
		"alert": {
			Event{Time: at.Truncate(time.Second), Alert: &Alert{Kind: CrashNow, N: 1, Severity: Urgent, Title: "t", Message: "m"}},
			`{"type":"alert","time":"2026-03-04T18:00:00Z","kind":"crash-now","severity":"urgent","message":"m"}`,
		},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			line, err := c.event.Line()
			require.NoError(t, err)
			require.Equal(t, c.want, string(line))
			require.True(t, json.Valid(line))
		})
	}
	none, err := Event{Time: at, Resolved: &Resolved{Kind: CrashNow}}.Line()
	require.NoError(t, err)
	require.Nil(t, none)
	_, err = Event{Time: at, Estimate: &projection.Estimate{ABV: gravity.ABV(math.NaN())}}.Line()
	require.ErrorContains(t, err, "2026-03-04T18:00:00Z", "a number that is none is not written")
}

// The page has a sentence for every state, and an alert begins with it.
func TestSentenceOfEveryState(t *testing.T) {
	b := brew()
	at := hour(30)
	estimate := func(drop float64) *projection.Estimate {
		e, _ := belief0(drop, 0.5, no, 0, 0, 0)
		return &e
	}
	project := func(by float64) *projection.Projection {
		_, p := belief0(1, 0.5, by, 2, by+8, 0.95)
		return &p
	}
	crash, cold := hour(28), hour(29)
	temp := estimate(3)
	temp.Temperature = ptr(gravity.Celsius(9.2))
	doubtful := project(no)
	doubtful.Crosses.Probability = 0.19
	states := map[string]struct {
		state State
		want  string
	}{
		"nothing known":     {State{Now: at}, "Nothing is known"},
		"just pitched":      {State{Now: hour(1), Estimate: estimate(0), Projection: project(50)}, "Nothing to do yet: the crash is likely between 20:00 on Wed 4 Mar and 00:00 on Thu 5 Mar; you will be told. Pitched 1 h ago."},
		"pitched, no crash": {State{Now: hour(1), Estimate: estimate(0), Projection: project(no)}, "Nothing to do yet: as it looks now no crash will be needed; readings will tell. Pitched 1 h ago."},
		"far":               {State{Now: at, Estimate: estimate(2), Projection: project(50)}, "Start the crash by 20:00 today (± 2 h). In 19 of 20 cases"},
		"unsure":            {State{Now: hour(48.5), Estimate: estimate(2), Projection: project(50)}, "Nothing to do yet: the crash is likely between 20:00 today and 00:00 tomorrow, Thu; you will be told."},
		"unsure, but soon":  {State{Now: hour(48.5), Estimate: estimate(2), Projection: project(50), Open: []Kind{CrashSoon}}, "Make room in the cold: the crash is likely between 20:00 today and"},
		"near":              {State{Now: hour(45), Estimate: estimate(2), Projection: project(50)}, "Start the crash by 20:00 today (± 2 h). In 19 of 20 cases the ceiling of 0.5 % ABV then holds."},
		"now":               {State{Now: hour(49.5), Estimate: estimate(2), Projection: project(50), Open: []Kind{CrashNow}}, "Start the crash now, or keg and chill. Cool it to 2.0 °C, starting by 20:00 today. In 19 of 20 cases the ceiling of 0.5 % ABV then holds."},
		"late":              {State{Now: hour(51), Estimate: estimate(2), Projection: project(50), Open: []Kind{CrashNow}}, "Start the crash now, or keg and chill. Cool it to 2.0 °C. If it starts within 30 min, the ceiling of 0.5 % ABV still holds in 97 of 100 cases"},
		"now, no time":      {State{Now: hour(51), Estimate: estimate(2), Projection: project(no), Open: []Kind{CrashNow}}, "Start the crash now, or keg and chill. Cool it to 2.0 °C."},
		"not started":       {State{Now: hour(40), Estimate: estimate(0), Projection: project(80), Open: []Kind{NotStarted}}, "No fermentation yet, 40 h after pitching"},
		"rests below":       {State{Now: at, Estimate: estimate(2), Projection: project(no)}, "comes to rest below the ceiling"},
		"cooling":           {State{Now: at, Estimate: temp, Projection: project(no), CrashStarted: &crash}, "Cooling since 22:00 yesterday, now at 9.2 °C."},
		"cooling, no therm": {State{Now: at, Estimate: estimate(3), Projection: project(no), CrashStarted: &crash}, "Cooling since 22:00 yesterday. It should"},
		"not cooling":       {State{Now: at, Estimate: temp, Projection: project(no), CrashStarted: &crash, Open: []Kind{NotCooling}}, "Look at the cooling: the beer does not get cold, now at 9.2 °C."},
		"cold":              {State{Now: at, Estimate: temp, Projection: project(no), CrashStarted: &crash, Cold: &cold}, "Measure pH before packaging."},
		"cold, pH low":      {State{Now: at, Estimate: temp, Projection: project(no), CrashStarted: &crash, Cold: &cold, PH: ptr(3.9), PHLimit: 3.9}, "Its pH of 3.90 is not above 3.9."},
		"cold, pH high":     {State{Now: at, Estimate: temp, Projection: project(no), CrashStarted: &crash, Cold: &cold, PH: ptr(4.1)}, "Its pH of 4.10 is above 3.9: do not package it like this."},
		"cold, pH of none":  {State{Now: at, Estimate: temp, Projection: project(no), CrashStarted: &crash, Cold: &cold, PH: ptr(2.)}, "Measure pH again before packaging: the 2.00 recorded is hardly that of beer."},
		"cold, pH of water": {State{Now: at, Estimate: temp, Projection: project(no), CrashStarted: &crash, Cold: &cold, PH: ptr(7.)}, "Its pH of 7.00 is above 3.9: do not package it like this."},
		"cooling, in doubt": {State{Now: at, Estimate: temp, Projection: doubtful, CrashStarted: &crash}, "A hand sample now would tell: the ceiling of 0.5 % ABV holds in only 16 of 20 cases. Cooling since 22:00 yesterday, now at 9.2 °C. It should end at"},
		"sampled, in doubt": {State{Now: at, Estimate: temp, Projection: doubtful, CrashStarted: &crash, LastSample: cold}, "Cool it as fast as you can: the ceiling"},
		"cold, in doubt":    {State{Now: at, Estimate: temp, Projection: doubtful, CrashStarted: &crash, Cold: &cold}, "A hand sample now would tell: the ceiling of 0.5 % ABV holds in only 16 of 20 cases. Cold since"},
		"cold and sampled":  {State{Now: at, Estimate: temp, Projection: doubtful, CrashStarted: &crash, Cold: &cold, LastSample: at}, "Diluting it with boiled and cooled water would make it surer: the ceiling"},
		"not quiet":         {State{Now: at, Estimate: temp, Projection: project(no), CrashStarted: &crash, Cold: &cold, Open: []Kind{StillFermenting}}, "Not quiet"},
		"over":              {State{Now: at, Estimate: estimate(5), Projection: &projection.Projection{OverNow: 0.9}, Open: []Kind{OverCeiling}}, "Cool it now all the same: in 18 of 20 cases the beer is now above the ceiling of 0.5 % ABV. It is believed to be at"},
		"silent":            {State{Now: at, Estimate: estimate(2), Projection: project(50), Silent: true, LastReading: hour(20)}, "no reading since 14:00 yesterday"},
		"never heard":       {State{Now: at, Estimate: estimate(2), Projection: project(50), Silent: true}, "No sensor of this batch has been heard"},
		"packaged":          {State{Now: at, Estimate: estimate(3), Projection: project(no), Packaged: &at}, "Chill it to 5 °C (41 °F) or below now: it was not measured cold when it was packaged at 00:00 today. It held 0.38 ± 0.07 % ABV. Left as it is it comes to 0.66 % ABV"},
		"packaged cold":     {State{Now: at, Estimate: temp, Projection: &projection.Projection{Crosses: projection.Crossing{Probability: 0.051}}, CrashStarted: &crash, Cold: &cold, Packaged: &at}, "Keep it at 5 °C (41 °F) or below: packaged at 00:00 today with 0.38 ± 0.07 % ABV, and the yeast in it is alive. Kept cold, the ceiling of 0.5 % ABV holds in 18 of 20 cases"},
	}
	for name, c := range states {
		t.Run(name, func(t *testing.T) {
			got := Sentence(b, c.state)
			require.Contains(t, got, c.want)
			readable(t, got)
			require.True(t, strings.HasSuffix(got, "."))
		})
	}
}

// The page heads the sentence with how grave the gravest open alert is: where one is
// more than a word to know, "Look soon" did not go with "Nothing to do yet".
func TestWhereThereIsSomethingToLookAtItIsSaid(t *testing.T) {
	b := brew()
	e, far := belief0(2, 0.5, 80, 12, 88, 0.95)
	young, none := belief0(0, 0.5, no, 0, 0, 0)
	mild := map[Kind]bool{SampleDue: true, StaysBelow: true}
	for _, k := range gravest() {
		if k == NotCooling || k == StillFermenting {
			continue // of a beer that is crashed
		}
		for name, st := range map[string]State{
			"far": {Now: hour(30), Estimate: &e, Projection: &far}, "no crash": {Now: hour(1), Estimate: &young, Projection: &none},
		} {
			st.Open, st.subjects = []Kind{k}, []string{keyOf(k, "float-1")}
			said := Sentence(b, st)
			readable(t, said)
			require.Equal(t, mild[k], strings.HasPrefix(said, "Nothing to do yet"), "%s, %s: %s", k, name, said)
		}
	}
	w := State{Now: hour(30), Location: time.UTC, Estimate: &e, Projection: &far, Open: []Kind{SensorSilent, Temperature}}
	require.Equal(t, "Look why a sensor is silent. The crash is likely between 02:00 on Fri 6 Mar and 02:00 on Sat 7 Mar; you will be told.", Sentence(b, w))
	w.subjects = []string{keyOf(SensorSilent, noGravity)}
	require.Contains(t, Sentence(b, w), "Look why no gravity is heard. ")
}

// What is told in frequencies reads as one says it aloud.
func TestHowOftenIsSaidWithoutAPause(t *testing.T) {
	b := brew()
	e, p := belief0(4, 0.5, no, 0, 0, 0.5)
	p.OverNow = 0.5
	crash := pitch
	st := State{Now: hour(30), Estimate: &e, Projection: &p, CrashStarted: &crash}
	w := words{now: hour(30), loc: time.UTC}
	for _, said := range []string{overSentence(&b, &e, &p, coolNow, whileWarm), overSentence(&b, &e, &p, "", ""), endsAbove(w, &b, &st)} {
		require.Regexp(t, "(^I|: i|, i)n 10 of 20 cases the beer (is now|ends) above ", said)
		require.NotContains(t, said, "ABV, in ")
	}
}

// Every doubt about a sensor says what is seen and what to look at.
func TestEveryDoubtSaysWhatToLookAt(t *testing.T) {
	w, err := NewWatch(tank(1.0155), Options{})
	require.NoError(t, err)
	v := w.view()
	for doubt, want := range map[projection.Doubt]string{
		projection.Stuck:        "Sensor float-1 has given the same value many times in a row: it may be stuck. Look whether it floats freely, without foam or krausen on it, and take a hand sample.",
		projection.Hanging:      "Sensor float-1 hardly moves any more, far less than before: it may hang. Look whether it floats freely",
		projection.Risen:        "Sensor float-1 shows about 68.0 gravity points more than fits this beer, and beer does not grow denser by itself. Look whether foam or krausen carries it, whether it is in another beer, and take a hand sample. Sugar, fruit or whatever else was added since the pitch is not counted: the alcohol is then higher than said here.",
		projection.Misplaced:    "Sensor float-1 shows 68.0 gravity points more than fits this beer: it is not used until it fits again, for a day and a half at most. Look whether it floats freely in this beer, whether it was taken out or put elsewhere, and take a hand sample.",
		projection.Biased:       "Sensor float-1 shows 68.0 gravity points more than fits this beer and its original gravity of SG 1.0155: only its changes are used, and if its unit or scale is wrong, so are these. Look whether it sends the unit that was stated for it, whether it is calibrated and in this beer, and whether the original gravity was noted right. Until that is settled take a hand sample a day: the crash may be told too late.",
		projection.TooHot:       "Sensor float-1 shows 68.0 °C, at which no beer ferments: its temperatures are not used. Look whether it is in the beer, whether it is broken, and whether it sends °F as °C.",
		projection.TooCold:      "Sensor float-1 shows 68.0 °C, at which beer is ice: its temperatures are not used. Look whether it hangs in the cold air beside the beer, whether it is broken, and whether it sends °C as °F.",
		projection.Contradicted: "Sensor float-1 is contradicted by a hand sample. Look whether the float floats freely, whether the sample was degassed",
	} {
		title, text := v.saySuspect("float-1", &projection.Suspicion{Sensor: "float-1", Doubt: doubt, Size: 68})
		require.Contains(t, title, "Doubtful readings from float-1")
		require.Contains(t, text, want)
	}
}

// A float alone is no reason to water a beer.
func TestADilutionAsksForASampleFirst(t *testing.T) {
	w, err := NewWatch(tank(1.0155), Options{})
	require.NoError(t, err)
	v := w.view()
	v.projection.OverNow, v.estimate.ABV, v.estimate.ABVSD = 0.9, 0.6, 0.05
	_, text := v.sayOver()
	require.Contains(t, text, "Take a hand sample before you dilute it")
	v.trail.Samples, v.trail.LastSample = 1, v.now.Add(-time.Hour)
	_, text = v.sayOver()
	require.NotContains(t, text, "Take a hand sample before you dilute it")
	require.Contains(t, text, "iluting")
}

// A hand sample is said to help by what a brewer would draw one for: a time that it
// narrows down notably, or a crash that can wait. Else the message says that it helps
// little, and that it may be left.
func TestAHandSampleIsOfferedForWhatItIsWorth(t *testing.T) {
	for name, c := range map[string]struct {
		sd, left, later      float64 // h
		narrows, waits, easy bool
	}{
		"narrows notably":              {12, 10, 0, true, false, false},
		"notably, and the crash waits": {12, 10, 3, true, true, false},
		"the crash waits only":         {31, 30, 4, false, true, false},
		"an hour of a day":             {23, 22, 0, false, false, true},
		"by less than an hour, waits":  {7, 6.5, 2, false, true, false},
	} {
		t.Run(name, func(t *testing.T) {
			b := brew()
			o, err := Options{}.filled()
			require.NoError(t, err)
			hours := func(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }
			e, p := belief0(1, 0.5, 40, c.sd, 60, 0.97)
			p.Sampled = &projection.SampleWorth{SD: hours(c.left), Later: hours(c.later)}
			v := &view{now: hour(30), batch: &b, opts: &o, estimate: e, projection: p, heard: hearing{"float-1": {Last: hour(30)}}}
			require.True(t, worthSampling(&p))
			title, message := v.saySample()
			require.Equal(t, c.narrows, strings.Contains(message, "is expected to bring that to about ±"), message)
			require.Equal(t, c.waits, strings.Contains(message, "can on average wait"), message)
			require.Equal(t, c.easy, strings.Contains(message, "leave it if it is any trouble"), message)
			require.Equal(t, c.easy, strings.HasPrefix(title, "A hand sample would help a little:"), title)
			readable(t, message)

			_, soon := v.saySoon()
			require.Equal(t, c.narrows, strings.Contains(soon, "a hand sample of its gravity narrows the time down"), soon)
			require.Contains(t, soon, "Until then leave it alone")
			v.projection.Sampled = nil
			_, soon = v.saySoon()
			require.Contains(t, soon, "narrows the time down", "it is not known otherwise")
		})
	}
}

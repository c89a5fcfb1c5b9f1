package alert

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/cmd/ebbline/config"
	"ebbline/deploy/quicktest"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// The whole life of recorded batches, as their brewers are told of it: every
// alert of every capture that crosses its ceiling, with a brewer who answers
// each. The captures know no crash, so what comes after it is simulated: the beer
// cools by Newton's law with the true time constant (a tenth less than the file
// says), its alcohol goes to the capture's own end of a crash at that moment, the
// float goes on erring as it did in the last day, and the record's daily samples
// end: the brewer takes one when asked.
//
//	go test ./alert -run Recorded -update     writes those of all captures, two minutes
//
// An ordinary run compares two captures of a kind, and reads the texts of all.

// brewer answers what they are told, by day what can wait.
type brewer struct {
	*story
	r     recording
	rng   *rand.Rand
	errs  []float64 // of the float in the last day, SG
	warm  float64   // °C, last measured
	crash time.Time
	after int // readings since the crash
	plans map[time.Time]func(now time.Time)
	kegs  bool
}

func (b *brewer) hours(t time.Time) float64 { return t.Sub(b.b.PitchedAt).Hours() }

// byDay is t, or eight in the morning if t lies in the quiet hours.
func (b *brewer) byDay(t time.Time) time.Time {
	if n := b.w.opts.Quiet.around(t, time.UTC); n.has(t) {
		return n.to.Add(90 * time.Minute)
	}
	return t
}

func (b *brewer) note(now time.Time, format string, args ...any) {
	fmt.Fprintf(&b.out, "%s  (%s)\n\n", stamp(now), fmt.Sprintf(format, args...))
}

// hears writes down what is said and plans the answers.
func (b *brewer) hears(events []Event) {
	b.hear(events)
	for _, e := range events {
		if e.Alert == nil {
			continue
		}
		switch e.Alert.Kind {
		case CrashNow:
			if b.crash.IsZero() {
				b.plans[e.Time.Add(b.b.ResponseTime)] = b.crashes
			}
		case SampleDue, SensorSuspect, OverCeiling, StillFermenting:
			if e.Alert.Severity == Urgent && b.w.packaged != nil {
				continue
			}
			b.plans[b.byDay(e.Time.Add(time.Hour))] = b.samples
		case PH:
			if b.w.State().PH == nil {
				b.plans[b.byDay(e.Time.Add(2*time.Hour))] = b.measuresPH
			}
		}
	}
	st := b.w.State()
	rest := 24 * time.Hour
	if st.is(StillFermenting) || st.is(NotCooling) {
		rest *= 3
	}
	if st.Cold != nil && st.PH != nil && !b.kegs && st.Now.Sub(*st.Cold) > rest {
		b.kegs = true
		b.plans[b.byDay(st.Now.Add(time.Hour))] = b.packages
	}
}

func (b *brewer) crashes(now time.Time) {
	b.crash = now
	b.note(now, "the brewer starts the crash; it will end at %.2f %% ABV", at(b.r.truth.crashed, b.hours(now)))
	b.hears(b.w.Enter(now, Input{CrashStarted: &now}))
}

func (b *brewer) samples(now time.Time) {
	g := b.gravity(now) + 0.0004*b.rng.NormFloat64()
	sg := gravity.SG(math.Round(g*2000) / 2000)
	b.note(now, "the brewer enters a hand sample of %.4f", float64(sg))
	b.hears(b.w.Enter(now, Input{Sample: &projection.Sample{Time: now, Gravity: &sg}}))
}

func (b *brewer) measuresPH(now time.Time) {
	b.note(now, "the brewer enters a pH of 3.8")
	b.hears(b.w.Enter(now, Input{Sample: &projection.Sample{Time: now, PH: ptr(3.8)}}))
}

func (b *brewer) packages(now time.Time) {
	b.note(now, "the brewer kegs the beer")
	b.hears(b.w.Enter(now, Input{Packaged: &now, Into: "keg"}))
	b.note(now, "page: %s", Sentence(b.b, b.w.State()))
}

// gravity is the true one: the capture's, after the crash what it would lead to.
func (b *brewer) gravity(now time.Time) float64 {
	h := b.hours(now)
	if b.crash.IsZero() {
		return at(b.r.truth.gravity, h)
	}
	c := b.hours(b.crash)
	gain := (at(b.r.truth.crashed, c) - at(b.r.truth.abv, c)) * (1 - math.Exp(-(h-c)/b.tau()))
	perPoint := float64(gravity.Balling.ABV(b.b.OriginalGravity, b.b.OriginalGravity-0.005)) / 5
	return at(b.r.truth.gravity, c) - gain/perPoint/1000
}

// tau is the true time constant of the cooling, h.
func (b *brewer) tau() float64 { return b.b.Crash.TimeConstant.Hours() / 1.1 }

// reads gives what a message holds, after the crash what it would have held.
func (b *brewer) reads(m message) []projection.Observation {
	var obs []projection.Observation
	for _, o := range m.obs {
		switch {
		case b.crash.IsZero() && o.Quantity == projection.Gravity:
			b.errs = append(b.errs, o.Value-b.gravity(m.at))
			b.errs = b.errs[max(0, len(b.errs)-96):]
		case b.crash.IsZero() && o.Quantity == projection.Temperature:
			b.warm = o.Value
		case o.Quantity == projection.Gravity:
			o.Value = math.Round(1e4*(b.gravity(m.at)+b.erring())) / 1e4
		case o.Quantity == projection.Temperature:
			to := float64(b.b.Crash.To)
			o.Value = math.Round(100*(to+(b.warm-to)*math.Exp(-m.at.Sub(b.crash).Hours()/b.tau()))) / 100
		}
		obs = append(obs, o)
	}
	return obs
}

// erring is the float's error after the crash: those of the last day, backwards
// and forwards again, so that there is no jump that no float makes.
func (b *brewer) erring() float64 {
	n := len(b.errs) - 1
	back := b.after % (2 * n)
	if b.after++; back > n {
		back = 2*n - back
	}
	return b.errs[n-back]
}

// live tells the whole batch.
func (b *brewer) live() {
	for _, m := range b.r.messages {
		for {
			next := m.at
			for due := range b.plans {
				if !due.After(next) {
					next = due
				}
			}
			do, planned := b.plans[next]
			if !planned {
				break
			}
			delete(b.plans, next)
			b.hears(b.w.Tick(next))
			do(next)
		}
		if b.w.packaged != nil {
			return
		}
		b.hears(b.w.Observe(m.at, b.reads(m)...))
	}
}

func newBrewer(t *testing.T, r recording) *brewer {
	o := Options{Quiet: &Quiet{From: 22*60 + 30, To: 6*60 + 30}}
	r.file.Batch.Name = r.name
	w, err := NewWatch(r.file.Batch, o)
	require.NoError(t, err)
	h := fnv.New64a()
	h.Write([]byte(r.name))
	b := &brewer{
		story: &story{t: t, w: w, b: r.file.Batch}, r: r, rng: rand.New(rand.NewPCG(h.Sum64(), 1)), plans: map[time.Time]func(time.Time){},
	}
	for _, s := range r.file.Samples {
		b.plans[s.Time] = func(now time.Time) {
			if b.crash.IsZero() { // the record's later ones know no crash
				b.hears(w.Enter(now, Input{Sample: &s}))
			}
		}
	}
	return b
}

// crossing lists the captures that cross their ceiling; most of a kind, 0: all.
func crossing(t *testing.T, most int) (names []string) {
	dirs, err := filepath.Glob(captureDir("*-*"))
	require.NoError(t, err)
	require.NotEmpty(t, dirs)
	kinds := map[string]int{}
	for _, d := range dirs {
		name := filepath.Base(d)
		kind, _, _ := strings.Cut(name, "-")
		file, err := config.LoadBatch(filepath.Join(d, "batch.yaml"))
		require.NoError(t, err)
		abv := truthOf(t, name).abv
		if most > 0 && kinds[kind] >= most || abv[len(abv)-1] <= float64(file.Batch.Ceiling.Limit) {
			continue
		}
		kinds[kind]++
		names = append(names, name)
	}
	return names
}

func goldenOf(name string) string { return filepath.Join("testdata", "golden", name+".txt") }

func TestRecordedBatchesAreToldAsASensiblePersonWould(t *testing.T) {
	most := 2
	if *update {
		most = 0
	} else if quicktest.Ran(t) {
		return
	}
	for _, name := range crossing(t, most) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newBrewer(t, record(t, name))
			b.live()
			require.Equal(t, b.total(), countAlerts(b.out.String()))
			if *update {
				require.NoError(t, os.WriteFile(goldenOf(name), []byte(b.out.String()), 0o644))
			}
			want, err := os.ReadFile(goldenOf(name))
			require.NoError(t, err)
			require.Equal(t, string(want), b.out.String())
		})
	}
}

func countAlerts(text string) int {
	return len(regexp.MustCompile(`(?m)^\w{3} \d\d \d\d:\d\d  [a-z-]+ \d+, (info|warning|urgent)$`).FindAllString(text, -1))
}

// The rules of the language, over every batch told: at most eight alerts when
// each is answered, one crash-now, every figure with its unit, nothing called
// safe, no text without substance.
func TestRecordedBatchesKeepTheRulesOfLanguage(t *testing.T) {
	files, err := filepath.Glob(goldenOf("*"))
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), len(crossing(t, 0)))
	figure := regexp.MustCompile(`[0-9]+\.[0-9]+`)
	unit := regexp.MustCompile(`^( ± [0-9.]+| \(8 of 10 cases: [0-9.]+| to [0-9.]+)*\)?,?( %| °C| °P| L | bar| gravity points| ABV|\)|:|;| is | for | from | set | was |\.| and above| before packaging| germs| it is)`)
	before := regexp.MustCompile(`(SG|pH|± |cases:|to|sample of|below|Above|above|about|at) ?$`)
	for _, f := range files {
		data, err := os.ReadFile(f)
		require.NoError(t, err)
		text := string(data)
		require.LessOrEqual(t, countAlerts(text), 8, f)
		require.Equal(t, 1, strings.Count(text, "  crash-now 1, urgent"), f)
		require.NotContains(t, text, "crash-now 2", f)
		require.NotRegexp(t, `(?i)\bsafe(ly|ty)?\b`, text, f)
		readable(t, strings.Join(strings.Fields(text), " "))
		for _, at := range figure.FindAllStringIndex(text, -1) {
			head, tail := text[max(0, at[0]-12):at[0]], text[at[1]:min(len(text), at[1]+60)]
			require.True(t, unit.MatchString(tail) || before.MatchString(head), "%s: a figure without a unit: %s[%s]%s", f, head, text[at[0]:at[1]], tail)
		}
		for _, block := range strings.Split(text, "\n\n") {
			lines := strings.Split(strings.TrimSpace(block), "\n")
			if len(lines) == 3 {
				require.GreaterOrEqual(t, len(strings.Fields(lines[1])), 4, "a title: %s", block)
				require.GreaterOrEqual(t, len(strings.Fields(lines[2])), 20, "a message: %s", block)
			}
		}
	}
}

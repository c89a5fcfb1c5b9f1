package page

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// noon is the clock of the tests.
var noon = time.Date(2026, 3, 5, 18, 30, 0, 0, time.UTC)

const password = "copper kettle at dawn"

// passwordHash is made once: hashing is slow on purpose.
var passwordHash = sync.OnceValues(func() (string, error) { return HashPassword(password) })

// cellar is a server under test with a real journal.
type cellar struct {
	testing.TB
	journal *journal.Journal
	deeds   *deeds
	server  *Server
	http    *httptest.Server
	mu      sync.Mutex
	now     time.Time
}

func (c *cellar) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *cellar) advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

// newCellar starts a server over an empty record; change may alter its options.
func newCellar(t testing.TB, change func(*Options)) *cellar {
	t.Helper()
	return cellarIn(t, empty.folder(t, func() *cellar { return cellarIn(t, t.TempDir(), nil) }), change)
}

// cellarIn starts a server over the record in a folder.
func cellarIn(t testing.TB, dir string, change func(*Options)) *cellar {
	t.Helper()
	j, err := journal.Open(dir, journal.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, j.Close()) })
	c := &cellar{TB: t, journal: j, now: noon}
	c.deeds = &deeds{journal: j, now: c.Now}
	hash, err := passwordHash()
	require.NoError(t, err)
	o := Options{
		Journal: j, Actions: c.deeds, Now: c.Now, PasswordHash: hash,
		Health: func() []HealthItem {
			return []HealthItem{{Code: "broker", OK: true, Text: "Listening to the broker.", Since: noon.Add(-time.Hour)}}
		},
		Logger: slog.New(slog.NewTextHandler(testWriter{t}, nil)),
	}
	c.deeds.knows(&o)
	if change != nil {
		change(&o)
	}
	c.server, err = New(o)
	require.NoError(t, err)
	c.http = httptest.NewUnstartedServer(nil)
	c.server.Configure(c.http.Config)
	c.http.Start()
	t.Cleanup(func() {
		c.server.Close()
		c.http.Close()
	})
	return c
}

type testWriter struct{ t testing.TB }

func (w testWriter) Write(b []byte) (int, error) {
	w.t.Log(strings.TrimSpace(string(b)))
	return len(b), nil
}

// deeds does what the daemon does with what people enter, in the least form.
type deeds struct {
	bench
	journal *journal.Journal
	now     func() time.Time
}

func (d *deeds) StartBatch(ctx context.Context, raw []byte) (string, error) {
	if !strings.Contains(string(raw), "original_gravity") {
		return "", &Refused{Text: "batch file:1:1: original_gravity is missing"}
	}
	if d.started != nil {
		d.started(raw)
	}
	spec, err := json.Marshal(pale())
	if err != nil {
		return "", err
	}
	_, err = d.journal.CreateBatch(ctx, journal.Batch{ID: "harbour-pale-1", Name: "Harbour pale 1", Spec: spec, Sensors: []string{"float-9"}, Started: d.now()})
	return "harbour-pale-1", err
}

func (d *deeds) enter(ctx context.Context, batch string, kind journal.EntryKind, at time.Time, key string, body any) error {
	if _, err := d.journal.Batch(ctx, batch); err != nil {
		return err
	}
	b, err := json.Marshal(body)
	if err != nil {
		return err
	}
	_, err = d.journal.AddEntry(ctx, journal.Entry{Batch: batch, Kind: kind, Time: at, Entered: d.now(), Body: b, Key: key})
	return err
}

func (d *deeds) AddSample(ctx context.Context, batch string, s Sample) error {
	if s.Gravity == nil && s.Brix == nil && s.PH == nil {
		return &Refused{Text: "a sample needs gravity, Brix or pH"}
	}
	p := projection.Sample{Time: s.Time, PH: s.PH}
	if s.Gravity != nil {
		g := gravity.SG(*s.Gravity)
		p.Gravity = &g
	}
	if s.Temperature != nil {
		c := gravity.Celsius(*s.Temperature)
		p.Temperature = &c
	}
	return d.enter(ctx, batch, journal.SampleEntry, s.Time, s.Key, p)
}

func (d *deeds) CrashStarted(ctx context.Context, batch string, at time.Time, key string) error {
	return d.enter(ctx, batch, journal.CrashStarted, at, key, struct{}{})
}

func (d *deeds) Packaged(ctx context.Context, batch string, p Package) error {
	if err := d.enter(ctx, batch, journal.Packaged, p.Time, p.Key, map[string]string{"into": p.Into}); err != nil {
		return err
	}
	return d.journal.EndBatch(ctx, batch, p.Time)
}

func (d *deeds) Note(ctx context.Context, batch string, n Note) error {
	return d.enter(ctx, batch, journal.NoteEntry, n.Time, n.Key, map[string]string{"text": n.Text})
}

func (d *deeds) Acknowledge(ctx context.Context, id string) error {
	_, err := d.journal.Acknowledge(ctx, id, d.now())
	return err
}

func (d *deeds) Snooze(ctx context.Context, id string, until time.Time) error {
	return d.journal.Snooze(ctx, id, until)
}

// pale is the batch that most tests watch.
func pale() projection.Batch {
	return projection.Batch{
		ID: "pale-12", Name: "Lantern pale 12", Volume: 19, OriginalGravity: 1.0132, OriginalGravitySD: 0.4,
		Ceiling: gravity.Ceiling{Limit: 0.5}, Rule: gravity.Balling, Risk: 0.05, Yeast: projection.StandardYeast,
		PitchedAt: noon.Add(-48 * time.Hour), ResponseTime: 30 * time.Minute,
		Crash: projection.Crash{To: 2, TimeConstant: 5 * time.Hour}, Sensors: []string{"float-1"},
	}
}

// start puts a batch into the journal.
func (c *cellar) start(b projection.Batch) {
	c.Helper()
	spec, err := json.Marshal(b)
	require.NoError(c, err)
	created, err := c.journal.CreateBatch(c.Context(), journal.Batch{ID: b.ID, Name: b.Name, Spec: spec, Sensors: b.Sensors, Started: b.PitchedAt})
	require.NoError(c, err)
	require.True(c, created)
}

// curve is an invented falling gravity, h hours after pitch.
func curve(h float64) float64 { return 1.0132 - 0.0044/(1+math.Exp(-(h-44)/7)) }

// record stores a reading every quarter of an hour, with a gap of five hours.
func (c *cellar) record(b projection.Batch, until time.Time) {
	c.Helper()
	var all []ingest.Reading
	for t := b.PitchedAt; !t.After(until); t = t.Add(15 * time.Minute) {
		h := t.Sub(b.PitchedAt).Hours()
		if h > 20 && h < 25 {
			continue
		}
		v := curve(h) + 0.0004*math.Sin(h*7)
		if math.Abs(h-34) < 0.1 {
			v += 0.002 // a spike
		}
		all = append(all,
			ingest.Reading{Sensor: b.Sensors[0], Quantity: ingest.Gravity, Time: t, Arrived: t, Value: v, DeviceTime: true},
			ingest.Reading{Sensor: b.Sensors[0], Quantity: ingest.Temperature, Time: t, Arrived: t, Value: 19 + math.Sin(h/4), DeviceTime: true})
	}
	require.NoError(c, c.journal.Record(c.Context(), all, nil))
}

// say stores what a watch would have said up to now, with the alerts given.
func (c *cellar) say(b projection.Batch, v verdict, crashIn time.Duration, alerts ...journal.Alert) {
	c.Helper()
	now := c.Now()
	var events []journal.Event
	add := func(typ string, at time.Time, body any) {
		raw, err := json.Marshal(body)
		require.NoError(c, err)
		events = append(events, journal.Event{Batch: b.ID, N: int64(len(events) + 1), Type: typ, Time: at, Body: raw})
	}
	last, temp := 0.0, 19.2
	for t := b.PitchedAt.Add(time.Hour); !t.After(now); t = t.Add(15 * time.Minute) {
		h := t.Sub(b.PitchedAt).Hours()
		if h > 20.5 && h < 25 {
			continue
		}
		last = curve(h)
		add("estimate", t, estimate{Time: t, Gravity: last, GravitySD: 0.0004, ABV: (1.0132 - last) * 131, ABVSD: 0.06, Temperature: &temp})
	}
	by, mid := now.Add(crashIn), now.Add(crashIn+5*time.Hour)
	early, late := mid.Add(-3*time.Hour), mid.Add(7*time.Hour)
	o := outlook{
		Time: now, CrashBy: &by, Crosses: crossing{Probability: 0.95, P10: &early, P50: &mid, P90: &late},
		ABVIfLeft: quantiles{0.61, 0.74, 0.9}, ABVIfCrashedNow: quantiles{0.36, 0.41, 0.47},
	}
	for i := range 49 {
		t := now.Add(time.Duration(i) * time.Hour)
		g, w := curve(t.Sub(b.PitchedAt).Hours()), 0.0004+0.00003*float64(i)
		o.Fan = append(o.Fan, fanPoint{Time: t, quantiles: quantiles{g - w, g, g + w}})
	}
	for i := range 19 {
		o.Dots = append(o.Dots, early.Add(time.Duration(i*i)*2*time.Minute))
	}
	add("projection", now, o)
	v.Time = now
	v.Estimate, v.Outlook = &estimate{Time: now, Gravity: last, GravitySD: 0.0004, ABV: (1.0132 - last) * 131, ABVSD: 0.06, Temperature: &temp}, &o
	sentence, err := json.Marshal(v)
	require.NoError(c, err)
	require.NoError(c, c.journal.Set(c.Context(), SentenceKey(b.ID), string(sentence)))
	require.NoError(c, c.journal.Say(c.Context(), b.ID, 0, nil, events, alerts, nil, now, nil))
}

// urgent is an alert that asks for the crash.
func urgent(batch, token string) journal.Alert {
	return journal.Alert{
		ID: batch + "/crash-now/1", Batch: batch, Kind: "crash-now", Severity: "urgent", Title: "Start the crash now",
		Message: "Waiting longer than 18:55 breaks the accepted risk: in more than 1 of 20 cases the beer would end above 0.5 % ABV.",
		Body:    json.RawMessage(`{}`), Raised: noon.Add(-5 * time.Minute), Recorded: noon.Add(-5 * time.Minute), Token: token,
	}
}

// whole is a cellar with everything in it: an urgent batch, a calm one, a
// finished one, topics and refusals.
func whole(t *testing.T, change func(*Options)) *cellar {
	t.Helper()
	return cellarIn(t, full.folder(t, func() *cellar {
		c := newCellar(t, nil)
		c.fill()
		return c
	}), change)
}

// fill writes it all into the record.
func (c *cellar) fill() {
	b := pale()
	c.start(b)
	c.record(b, noon.Add(-4*time.Minute))
	c.say(b, verdict{Text: "Start the crash by 18:55 today. In 19 of 20 cases the ceiling then holds."}, 25*time.Minute, urgent(b.ID, "tok-urgent"))
	calm := pale()
	calm.ID, calm.Name, calm.Sensors, calm.PitchedAt = "amber-3", "Weir amber 3", []string{"float-2"}, noon.Add(-30*time.Hour)
	c.start(calm)
	c.record(calm, noon.Add(-9*time.Minute))
	c.say(calm, verdict{Text: "Nothing to do before Friday. The crash is likely due Fri 09:00 to 19:00."}, 20*time.Hour)
	old := pale()
	old.ID, old.Name, old.Sensors, old.PitchedAt = "stout-2", "Cellar stout 2", []string{"float-3"}, noon.Add(-400*time.Hour)
	c.start(old)
	require.NoError(c, c.deeds.Packaged(c.Context(), old.ID, Package{Time: noon.Add(-200 * time.Hour), Into: "keg"}))
	g := 1.0116
	ph := 4.12
	require.NoError(c, c.deeds.AddSample(c.Context(), b.ID, Sample{Time: noon.Add(-20 * time.Hour), Gravity: &g, PH: &ph}))
	require.NoError(c, c.deeds.Note(c.Context(), b.ID, Note{Time: noon.Add(-30 * time.Hour), Text: "Moved to the cool corner."}))
	require.NoError(c, c.journal.Record(c.Context(), nil, []ingest.Refusal{
		{Topic: "attic/unknown", Reason: "unassigned", Detail: "no sensor listens to this topic", Payload: []byte(`{"g":1.0121,"t":18.4}`), Arrived: noon.Add(-time.Minute)},
		{Topic: "cellar/float-1", Sensor: "float-1", Reason: "not-json", Detail: "the payload is not JSON: unexpected end at byte 7", Payload: []byte(`{"g":1.`), Arrived: noon.Add(-time.Hour)},
	}))
}

// browser is an HTTP client that keeps cookies and does not follow redirects.
func (c *cellar) browser() *http.Client {
	jar, err := cookiejar.New(nil)
	require.NoError(c, err)
	return &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

// loggedIn is a browser with a session; that a login gives one is TestLogInAndOut's.
func (c *cellar) loggedIn() *http.Client {
	b := c.browser()
	word, _, err := c.server.sessions.add(c.Context(), "", c.server.opts.Wall(), sessionLife)
	require.NoError(c, err)
	at, err := url.Parse(c.http.URL)
	require.NoError(c, err)
	b.Jar.SetCookies(at, []*http.Cookie{{Name: cookieName, Value: word, Path: "/"}})
	return b
}

type reply struct {
	status int
	body   string
	header http.Header
}

func (c *cellar) do(client *http.Client, r *http.Request) reply {
	c.Helper()
	res, err := client.Do(r)
	require.NoError(c, err)
	defer func() { require.NoError(c, res.Body.Close()) }()
	b, err := io.ReadAll(res.Body)
	require.NoError(c, err)
	return reply{res.StatusCode, string(b), res.Header}
}

func (c *cellar) request(method, path, body string, header ...string) *http.Request {
	c.Helper()
	r, err := http.NewRequestWithContext(c.Context(), method, c.http.URL+path, strings.NewReader(body))
	require.NoError(c, err)
	require.Zero(c, len(header)%2, "headers come in pairs")
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	return r
}

func (c *cellar) get(client *http.Client, path string, header ...string) reply {
	c.Helper()
	return c.do(client, c.request(http.MethodGet, path, "", append([]string{"Accept", "text/html"}, header...)...))
}

func (c *cellar) post(client *http.Client, path string, v url.Values, header ...string) reply {
	c.Helper()
	h := append([]string{"Content-Type", "application/x-www-form-urlencoded", "Accept", "text/html"}, header...)
	return c.do(client, c.request(http.MethodPost, path, v.Encode(), h...))
}

// token makes an API token.
func (c *cellar) token() string {
	c.Helper()
	word, _, err := c.server.tokens.add(c.Context(), "test", noon, 0)
	require.NoError(c, err)
	return word
}

func (c *cellar) api(method, path, body, token string) reply {
	c.Helper()
	r := c.request(method, path, body, "Content-Type", "application/json")
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	return c.do(c.http.Client(), r)
}

package page

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"math"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/projection/gravity"
)

// ended is a cellar with a batch that was crashed, given another sensor, and
// kegged, with an entry that was struck out.
func ended(t *testing.T) *cellar {
	t.Helper()
	c := whole(t, nil)
	b := pale()
	b.ID, b.Name, b.Sensors, b.PitchedAt = "wheat-7", "Quarry wheat 7", []string{"float-8"}, noon.Add(-72*time.Hour)
	b.OriginalGravity = 1.0141
	c.start(b)
	c.record(b, noon.Add(-8*time.Hour))
	told := urgent(b.ID, "tok-wheat")
	told.Raised = noon.Add(-15 * time.Hour)
	var events []journal.Event
	for h := 1; h < 64; h++ {
		fallen := 0.0033 / (1 + math.Exp(-(float64(h)-40)/5))
		raw, err := json.Marshal(estimate{Gravity: 1.0141 - fallen, GravitySD: 0.0003, ABV: fallen * 131, ABVSD: 0.04})
		require.NoError(t, err)
		events = append(events, journal.Event{Batch: b.ID, N: int64(h), Type: "estimate", Time: b.PitchedAt.Add(time.Duration(h) * time.Hour), Body: raw})
	}
	require.NoError(t, c.journal.Say(t.Context(), b.ID, 0, nil, events, []journal.Alert{told}, nil, noon, nil))
	og, late, wrong, ph := 1.0139, 1.0109, 1.0198, 3.84
	for at, m := range map[time.Duration]Sample{-71 * time.Hour: {Gravity: &og}, -20 * time.Hour: {Gravity: &late, PH: &ph}, -50 * time.Hour: {Gravity: &wrong}} {
		m.Time = noon.Add(at)
		require.NoError(t, c.deeds.AddSample(t.Context(), b.ID, m))
	}
	require.NoError(t, c.deeds.SetSensors(t.Context(), b.ID, Swap{Time: noon.Add(-8 * time.Hour), Sensors: []string{"float-5"}}))
	require.NoError(t, c.deeds.CrashStarted(t.Context(), b.ID, noon.Add(-14*time.Hour), ""))
	require.NoError(t, c.journal.Record(t.Context(), []ingest.Reading{
		{Sensor: "float-5", Quantity: ingest.Gravity, Time: noon.Add(-9 * time.Hour), Arrived: noon, Value: 1.05, DeviceTime: true},
		{Sensor: "float-5", Quantity: ingest.Gravity, Time: noon.Add(-4 * time.Hour), Arrived: noon, Value: 1.0096, DeviceTime: true},
		{Sensor: "float-5", Quantity: ingest.Battery, Time: noon.Add(-4 * time.Hour), Arrived: noon, Value: 3.9, DeviceTime: true},
	}, nil))
	require.NoError(t, c.deeds.Note(t.Context(), b.ID, Note{Time: noon.Add(-3 * time.Hour), Text: "=1+1"}))
	entries, err := c.journal.Entries(t.Context(), b.ID)
	require.NoError(t, err)
	for _, e := range entries {
		if e.Time.Equal(noon.Add(-50 * time.Hour)) {
			require.NoError(t, c.deeds.Strike(t.Context(), b.ID, Strike{Seq: e.Seq, Time: noon.Add(-2 * time.Hour)}))
		}
	}
	require.NoError(t, c.deeds.Packaged(t.Context(), b.ID, Package{Time: noon.Add(-time.Hour), Into: "keg"}))
	return c
}

func TestReportTellsTheWholeBatch(t *testing.T) {
	t.Parallel()
	c := ended(t)
	body := c.get(c.loggedIn(), "/batch/wheat-7/report").body
	for _, want := range []string{
		"Kegged", "Thu 5 Mar 2026 17:30", "Crash started", "58 h after pitch", "1.0141 ±\u00a00.0004\u00a0SG", "0.5\u00a0%\u00a0ABV",
		"Allowance left", "1.0109", "3.84", "1.0198", "struck out", "Note: =1&#43;1", "Sensors from here on: float-5", "Alert: Start the crash now",
	} {
		require.Contains(t, body, want)
	}
	plain := strings.ReplaceAll(body, "\u00a0", " ")
	for _, caution := range append(gravity.Cautions(gravity.Serving), gravity.Cautions(gravity.Stating)...) {
		require.Equal(t, 1, strings.Count(plain, caution+"</li>"), caution)
	}
	require.NotContains(t, plain, gravity.CautionAcid, "the pH was measured and is low")
	running := c.get(c.loggedIn(), "/batch/pale-12/report").body
	require.Contains(t, running, "these are not its final figures")
	require.Contains(t, running, "Start the crash by 18:55 today")
	require.NotContains(t, body, "style=", "the policy allows nothing inline")
}

// The report's figures are those of the page, also of a batch whose last look came after
// its packaging, and with it its last belief.
func TestReportAndPageShowOneBelief(t *testing.T) {
	t.Parallel()
	c := ended(t)
	v := newer()
	v.Estimate.Time = noon.Add(-30 * time.Minute)
	c.believe("wheat-7", v)
	for _, path := range []string{"/batch/wheat-7", "/batch/wheat-7/report", "/compare?a=wheat-7&b=pale-12"} {
		require.Contains(t, c.get(c.loggedIn(), path).body, "1.0093", path)
	}
}

// A title's "today" is that of the day on which it was said: shown on another day, and on
// paper, it has its date.
func TestATitleOfAnotherDayHasItsDate(t *testing.T) {
	t.Parallel()
	c := whole(t, nil)
	for day, title := range []string{"Crash likely from 12:15 today: Lantern pale 12", "Crash by 03:10 tomorrow, Fri: Lantern pale 12"} {
		a := urgent("pale-12", fmt.Sprint("tok-soon-", day))
		a.Message = "The crash was started at 12:05 today."
		a.ID, a.Kind, a.Title = fmt.Sprint("pale-12/crash-soon/", day+1), "crash-soon", title
		a.Raised = noon.Add(time.Duration(day-1) * 20 * time.Hour)
		a.Recorded = a.Raised
		require.NoError(t, c.journal.Say(t.Context(), "pale-12", 0, nil, nil, []journal.Alert{a}, nil, a.Raised, nil))
	}
	text := func(path string) string {
		return strings.ReplaceAll(html.UnescapeString(c.get(c.loggedIn(), path).body), "\u00a0", " ")
	}
	for _, w := range []string{"“Crash likely from 12:15 on Wed 4 Mar”", "“Crash by 03:10 tomorrow, Fri”"} {
		require.Contains(t, text("/batch/pale-12"), w)
	}
	require.Contains(t, text("/batch/pale-12"), "<p class=\"faint\">The crash was started at 12:05 on Wed 4 Mar.</p>", "among the open alerts")
	for link, day := range map[string]string{"tok-soon-0": "12:05 on Wed 4 Mar", "tok-soon-1": "12:05 today"} {
		require.Contains(t, text("/a/"+link), "The crash was started at "+day, link)
	}
	for _, w := range []string{"Alert: Crash likely from 12:15 on Wed 4 Mar", "Alert: Crash by 03:10 on Fri 6 Mar"} {
		require.Contains(t, text("/batch/pale-12/report"), w)
	}
}

// Report and comparison are in the scales that the reader chose.
func TestReportIsInTheChosenScales(t *testing.T) {
	t.Parallel()
	c := ended(t)
	b := c.loggedIn()
	for _, scale := range []string{"plato", "degF"} {
		require.Equal(t, http.StatusSeeOther, c.post(b, "/units", url.Values{"scale": {scale}}).status)
	}
	for path, says := range map[string][]string{
		// 1.0141 and 1.0109 SG, by ASBC's polynomial: 3.60 and 2.79 °P.
		"/batch/wheat-7/report":        {"3.60 ± 0.10 °P", "2.79</td><td>68</td>", "Gravity, °P", "read at, °F", "gravity, °P", "temperature, °F", "Pitched at 3.60 °P"},
		"/compare?a=wheat-7&b=pale-12": {"3.60 °P", "gravity, °P", "temperature, °F", " °F</td>"},
	} {
		body, _, _ := strings.Cut(c.get(b, path).body, "Read this before anyone") // cautions name both scales
		body = strings.ReplaceAll(html.UnescapeString(body), "\u00a0", " ")
		for _, w := range says {
			require.Contains(t, body, w, path)
		}
		require.NotContains(t, body, " SG", path)
		require.NotContains(t, body, "°C", path)
	}
}

// The strengths by the rules are those of projection/gravity for the gravity that
// the believed strength stands for: its own rule gives the belief back.
func TestReportGivesTheStrengthByEachRule(t *testing.T) {
	t.Parallel()
	st := &status{About: pale()}
	e := &estimate{ABV: 0.46, ABVSD: 0.06}
	rows := byRules(st.About, e)
	require.Len(t, rows, len(gravity.Rules()))
	own := 0
	for _, r := range rows {
		if r.Own {
			own++
			require.Equal(t, "balling", r.Rule)
			require.Equal(t, "0.46", r.Value)
			require.Equal(t, "0.06", r.Spread)
		}
		if r.Rule == "linear" {
			g, _ := fallen(st.About, e)
			require.Equal(t, abv(131.25*float64(st.About.OriginalGravity-g)), r.Value)
		}
	}
	require.Equal(t, 1, own)
}

// A sensor's readings are the batch's only while it had the sensor.
func TestExportHoldsEveryReadingOfTheBatchAndNoOther(t *testing.T) {
	t.Parallel()
	c := ended(t)
	b := c.loggedIn()
	r := c.get(b, "/batch/wheat-7/export/readings.csv")
	require.Equal(t, http.StatusOK, r.status)
	require.Equal(t, "text/csv; charset=utf-8", r.header.Get("Content-Type"))
	require.Equal(t, `attachment; filename="wheat-7-readings.csv"`, r.header.Get("Content-Disposition"))
	rows, err := csv.NewReader(strings.NewReader(r.body)).ReadAll()
	require.NoError(t, err)
	require.Equal(t, []string{"time", "arrived", "sensor", "quantity", "value", "unit"}, rows[0])
	count := map[string]int{}
	for _, row := range rows[1:] {
		count[row[2]+" "+row[3]+" "+row[5]]++
		require.NotEqual(t, "1.05", row[4], "before the swap float-5 was not this batch's")
	}
	stored, err := c.journal.Readings(t.Context(), "float-8", ingest.Gravity, noon.Add(-72*time.Hour), noon.Add(-8*time.Hour), 0)
	require.NoError(t, err)
	require.Equal(t, map[string]int{"float-8 gravity sg": len(stored), "float-8 temperature Cel": len(stored), "float-5 gravity sg": 1, "float-5 battery V": 1}, count)

	rows, err = csv.NewReader(strings.NewReader(c.get(b, "/batch/wheat-7/export/record.csv").body)).ReadAll()
	require.NoError(t, err)
	var struckOnes, notes int
	for _, row := range rows {
		if row[8] == "true" {
			struckOnes++
			require.Equal(t, "1.0198", row[3])
		}
		if row[2] == "note" {
			notes++
			require.Equal(t, "'=1+1", row[7], "a spreadsheet must not reckon with it")
		}
	}
	require.Equal(t, 1, struckOnes)
	require.Equal(t, 1, notes)
	rows, err = csv.NewReader(strings.NewReader(c.get(b, "/batch/wheat-7/export/estimates.csv").body)).ReadAll()
	require.NoError(t, err)
	events, err := c.journal.Events(t.Context(), "wheat-7", []string{"estimate"}, time.Time{}, time.Time{}, 0, false)
	require.NoError(t, err)
	require.Len(t, rows, len(events)+1)
}

func TestExportAsJSONHoldsAllOfIt(t *testing.T) {
	t.Parallel()
	c := ended(t)
	r := c.get(c.loggedIn(), "/batch/wheat-7/export/batch.json")
	var got struct {
		Batch     batchInfo
		Entries   []entryInfo
		Alerts    []alertInfo
		Estimates []estimate
		Readings  []readingInfo
	}
	d := json.NewDecoder(strings.NewReader(r.body))
	d.DisallowUnknownFields()
	require.NoError(t, d.Decode(&got))
	_, err := d.Token()
	require.ErrorIs(t, err, io.EOF)
	require.Equal(t, "Quarry wheat 7", got.Batch.Name)
	require.NotEmpty(t, got.Batch.Spec)
	require.Len(t, got.Alerts, 1)
	csvRows := strings.Count(c.get(c.loggedIn(), "/batch/wheat-7/export/readings.csv").body, "\r\n") - 1
	require.Len(t, got.Readings, csvRows)
	require.NotEmpty(t, got.Estimates)
	require.Len(t, got.Entries, 8)
	require.NotContains(t, r.body, "tok-wheat", "the token of a link is no part of the record")
}

// Every column that is written is explained, and every one explained is written.
func TestExportsAreExplained(t *testing.T) {
	t.Parallel()
	c := ended(t)
	b := c.loggedIn()
	body := c.get(b, "/batch/wheat-7/export").body
	for _, f := range exportFiles() {
		require.Contains(t, body, "/batch/wheat-7/export/"+f.Name)
		if len(f.Columns) == 0 {
			continue
		}
		rows, err := csv.NewReader(strings.NewReader(c.get(b, "/batch/wheat-7/export/"+f.Name).body)).ReadAll()
		require.NoError(t, err, f.Name) // the reader checks that all rows are as long as the first
		for _, name := range rows[0] {
			require.Contains(t, body, "<code>"+name+"</code>", f.Name)
		}
	}
	require.Equal(t, http.StatusNotFound, c.get(b, "/batch/wheat-7/export/secrets.csv").status)
	require.Equal(t, http.StatusNotFound, c.get(b, "/batch/none/export/batch.json").status)
}

func TestTenuresFollowTheSwaps(t *testing.T) {
	t.Parallel()
	at := func(h int) time.Time { return noon.Add(time.Duration(h) * time.Hour) }
	swap := func(seq int64, h int, names string) journal.Entry {
		return journal.Entry{Seq: seq, Kind: journal.SensorChanged, Time: at(h), Body: json.RawMessage(`{"sensors":` + names + `}`)}
	}
	st := &status{About: pale()}
	st.About.PitchedAt = at(0)
	st.Batch.Started = at(0)
	got, err := tenures(st, []journal.Entry{swap(2, 20, `["b","c"]`), swap(1, 10, `["float-1","b"]`), swap(3, 30, `["b","float-1"]`)})
	require.NoError(t, err)
	require.Equal(t, []tenure{{"float-1", at(0), at(20)}, {"b", at(10), time.Time{}}, {"c", at(20), at(30)}, {"float-1", at(30), time.Time{}}}, got)
	require.Equal(t, []string{"float-1", "b", "c"}, sensorsOf(got))
}

// Two batches lie on one axis: a difference of a day at pitch is none here.
func TestComparisonBeginsAtPitch(t *testing.T) {
	t.Parallel()
	c := ended(t)
	b := c.loggedIn()
	body := c.get(b, "/compare?a=wheat-7&b=pale-12").body
	require.Contains(t, body, "Quarry wheat 7")
	require.Contains(t, body, "58 h after pitch")
	require.Contains(t, body, "day 1")
	lines := regexp.MustCompile(`<path class="stroke (first|other)" d="M([\d.]+) `).FindAllStringSubmatch(body, -1)
	require.NotEmpty(t, lines)
	first := map[string]string{}
	for _, l := range lines { // the first line of each is that of the gravity: both begin an hour after pitch
		if first[l[1]] == "" {
			first[l[1]] = l[2]
		}
	}
	require.Equal(t, first["first"], first["other"])
	require.Contains(t, c.get(b, "/compare?a=wheat-7&b=wheat-7").body, "Both are the same batch")
	require.Contains(t, c.get(b, "/compare?a=wheat-7").body, "Choose two batches")
	require.Equal(t, http.StatusNotFound, c.get(b, "/compare?a=wheat-7&b=none").status)
}

// paper is a page as Chromium prints it, on paper of a size in inches.
func (b *tab) paper(t *testing.T, width, height float64) []byte {
	t.Helper()
	yes := true
	pdf, err := chromedp.Call(b.ctx, cdppage.PrintToPDF, cdppage.PrintToPDFParams{PaperWidth: width, PaperHeight: height, PrintBackground: &yes})
	require.NoError(t, err)
	return pdf.Data
}

// pages counts the pages of a PDF by their objects.
func pages(pdf []byte) int { return len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(pdf, -1)) }

// A report and a comparison print on A4 and letter, upright: few pages, nothing
// beyond the edges, black on white whatever the theme.
func TestReportPrintsOnPaper(t *testing.T) {
	t.Parallel()
	c := ended(t)
	b := c.open(t, chromium(t))
	const edges = 2 * 14 / 25.4 // inches; the margins of the style sheet
	for path, most := range map[string]int{"/batch/wheat-7/report": 2, "/batch/stout-2/report": 2, "/compare?a=wheat-7&b=pale-12": 2} {
		b.visit(t, path)
		b.looksRight(t, "after_"+shotName(path))
		for name, size := range map[string][2]float64{"a4": {210 / 25.4, 297 / 25.4}, "letter": {8.5, 11}} {
			b.medium(t, "", "dark")
			pdf := b.paper(t, size[0], size[1])
			n := pages(pdf)
			require.Positive(t, n)
			require.LessOrEqual(t, n, most, "%s on %s", path, name)
			if dir := os.Getenv("EBBLINE_SHOTS"); dir != "" {
				require.NoError(t, os.WriteFile(filepath.Join(dir, "paper_"+name+"_"+shotName(path)+".pdf"), pdf, 0o600))
			}
			b.fits(t, (size[0]-edges)*96)
			b.shoot(t, "paper_"+name+"_"+shotName(path))
		}
	}
	require.Empty(t, b.faults())

	b.medium(t, "", "light") // and the check can fail
	one := pages(b.paper(t, 8.5, 11))
	eval[chromedp.Void](t, b, `document.querySelector("main").append(...Array.from({length: 300}, () => { const p = document.createElement("p"); p.textContent = "line"; return p; })); void 0`)
	require.Greater(t, pages(b.paper(t, 8.5, 11)), one+3)
}

// fits checks the layout for print at the width that paper leaves, in CSS pixels.
func (b *tab) fits(t *testing.T, width float64) {
	t.Helper()
	b.do(t, chromedp.EmulateViewport(int64(width), 1000))
	b.medium(t, "print", "dark")
	require.Empty(t, eval[[]string](t, b, tooWide))
	require.Empty(t, eval[[]string](t, b, `[...document.querySelectorAll(".chart")].filter((e) => e.checkVisibility()).flatMap((svg) => {
		const box = svg.getBoundingClientRect();
		return [...svg.querySelectorAll("text,path,circle,rect")].filter((e) => { const r = e.getBoundingClientRect();
			return r.width && (r.left < box.left - 1 || r.right > box.right + 1 || r.top < box.top - 1 || r.bottom > box.bottom + 1); }).map((e) => e.outerHTML.slice(0, 120)); })`), "cut off in the chart")
	require.Equal(t, "rgb(0, 0, 0) on rgb(255, 255, 255)", eval[string](t, b, `getComputedStyle(document.body).color + " on " + getComputedStyle(document.body).backgroundColor`))
	require.Equal(t, 1, eval[int](t, b, `[...document.querySelectorAll(".chart")].filter((e) => e.checkVisibility()).length`))
}

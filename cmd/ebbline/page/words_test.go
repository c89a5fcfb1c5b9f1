package page

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestClock(t *testing.T) {
	t.Parallel()
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	now := time.Date(2026, 3, 28, 22, 30, 0, 0, time.UTC) // 23:30 in Berlin, the night before summer time
	for name, one := range map[string]struct {
		at   time.Time
		want string
	}{
		"today":                 {now.Add(20 * time.Minute), "today 23:50"},
		"tomorrow":              {now.Add(40 * time.Minute), "tomorrow 00:10"},
		"after the clock jumps": {now.Add(3 * time.Hour), "tomorrow 03:30"},
		"yesterday":             {now.Add(-24 * time.Hour), "yesterday 23:30"},
		"this week":             {now.Add(4 * 24 * time.Hour), "Thu 00:30"},
		"later":                 {now.Add(20 * 24 * time.Hour), "18 Apr 00:30"},
		"another year":          {now.Add(-200 * 24 * time.Hour), "10 Sep 2025 00:30"},
	} {
		t.Run(name, func(t *testing.T) { require.Equal(t, one.want, clock(one.at, now, berlin)) })
	}
}

func TestSpanAndAges(t *testing.T) {
	t.Parallel()
	for d, want := range map[time.Duration]string{
		0: "less than a minute", 61 * time.Second: "1 min", 59 * time.Minute: "59 min", time.Hour: "1 h",
		95 * time.Minute: "1 h 35 min", 7*time.Hour + 40*time.Minute: "8 h", 47 * time.Hour: "47 h", 60 * time.Hour: "3 days",
	} {
		require.Equal(t, want, span(d))
	}
	require.Equal(t, "just now", ago(noon, noon.Add(30*time.Second)))
	require.Equal(t, "5 min ago", ago(noon, noon.Add(5*time.Minute)))
	require.Equal(t, "in 25 min", ahead(noon.Add(25*time.Minute), noon))
	require.Equal(t, "now", ahead(noon, noon))
	require.Equal(t, "2 h ago", ahead(noon.Add(-2*time.Hour), noon))
}

// What is printed is read back the same, with a comma as with a point.
func TestNumberReadsWhatIsPrinted(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		want := math.Round(rapid.Float64Range(-150, 1300).Draw(t, "value")*1e4) / 1e4
		text := trim(want)
		for _, typed := range []string{text, strings.Replace(text, ".", ",", 1), " " + text + " "} {
			got, err := number(typed)
			require.NoError(t, err)
			require.InDelta(t, want, got, 1e-12)
		}
	})
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"1.0115", "1,0115", "1e5", "0x1p-2", "NaN", "inf", "١٢", "--1", "1_000", "", "1.2,3"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		v, err := number(s)
		if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
			t.Fatalf("%q is taken for %v", s, v)
		}
	})
}

func FuzzPasswordHash(f *testing.F) {
	f.Add("$argon2id$v=19$m=8,t=1,p=1$c29tZXNhbHQ$PL01amPyeUs")
	f.Add("$argon2id$v=19$m=19456,t=2,p=1$$")
	f.Fuzz(func(t *testing.T, hash string) {
		if strings.Contains(hash, "m=") && len(hash) > 200 {
			return
		}
		if ok, err := checkPassword(hash, "x"); ok && err != nil {
			t.Fatalf("%q: both right and wrong", hash)
		}
	})
}

// Payloads of any bytes are shown as valid text.
func FuzzPayloadText(f *testing.F) {
	f.Add([]byte(`{"g":1.01}`))
	f.Add([]byte{0, 0xff, 0x80})
	f.Add([]byte(strings.Repeat("é", 300)))
	f.Fuzz(func(t *testing.T, b []byte) {
		require.Equal(t, payloadText(b), strings.ToValidUTF8(payloadText(b), "?"))
	})
}

func TestFirstSentence(t *testing.T) {
	t.Parallel()
	for text, want := range map[string][2]string{
		"Start the crash by 20:00 (± 5 min). In 19 of 20 cases it holds.": {"Start the crash by 20:00 (± 5 min).", "In 19 of 20 cases it holds."},
		"Cold, now at 2.0 °C with 0.20 % ABV. Keep it there. Measure pH.": {"Cold, now at 2.0 °C with 0.20 % ABV.", "Keep it there. Measure pH."},
		"Nothing to do.": {"Nothing to do.", ""},
		"":               {"", ""},
	} {
		first, rest := firstSentence(text)
		require.Equal(t, want, [2]string{first, rest})
	}
}

package page

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbline/alert"
	"ebbline/ingest/journal"
)

// happening is one line of what happened to a batch.
type happening struct {
	Time    time.Time
	Kind    string // an entry's kind, "alert" or "pitched"
	Text    string
	Struck  bool
	Gravity *float64 // SG of a sample
	Sample  *Sample  // nil: no sample
}

// happened lists what people entered and what was told, newest first, in the
// brewer's scales.
func (s *Server) happened(ctx context.Context, st *status, u Units) ([]happening, error) {
	entries, err := s.entries(ctx, st.Batch)
	if err != nil {
		return nil, err
	}
	alerts, err := s.opts.Journal.Alerts(ctx, st.Batch.ID, false)
	if err != nil {
		return nil, err
	}
	out := []happening{{Time: st.About.PitchedAt, Kind: "pitched", Text: pitched(st, u)}}
	gone := struck(entries)
	for _, e := range entries {
		if e.Kind == journal.StruckEntry {
			continue
		}
		h := told(e, u)
		h.Struck = gone[e.Seq]
		out = append(out, h)
	}
	for _, a := range alerts {
		text := ownTitle(a, st.Batch)
		if text == "" {
			text = a.Message
		}
		text = "“" + alert.ReadAt(text, a.Raised, s.opts.Now(), s.loc) + "”" // its "now" is of then
		if foundLate(a) {
			text += " – found out " + clock(a.Recorded, s.opts.Now(), s.loc)
		}
		if a.Acknowledged != nil {
			text += " – answered " + clock(*a.Acknowledged, s.opts.Now(), s.loc)
		}
		out = append(out, happening{Time: a.Raised, Kind: "alert", Text: text})
	}
	slices.SortStableFunc(out, func(a, b happening) int {
		return cmp.Or(b.Time.Compare(a.Time), cmp.Compare(a.Kind, b.Kind))
	})
	return out, nil
}

func pitched(st *status, u Units) string {
	text := "Pitched"
	if og := float64(st.About.OriginalGravity); og > 0 {
		text += " at " + u.gravity(og)
	}
	return text
}

// entries are what was entered for a batch, before it the samples that stand in
// its file: the first is number -1, the next -2, as its watch counts them.
func (s *Server) entries(ctx context.Context, b journal.Batch) ([]journal.Entry, error) {
	all, err := s.opts.Journal.SoundEntries(ctx, b.ID)
	if err != nil || s.opts.Written == nil {
		return all, err
	}
	written, err := s.opts.Written(b)
	if err != nil {
		return nil, err
	}
	var out []journal.Entry
	for i, m := range written {
		body, err := json.Marshal(m)
		if err != nil {
			return nil, fmt.Errorf("write sample %d of the file of batch %s: %w", i+1, b.ID, err)
		}
		out = append(out, journal.Entry{Seq: -int64(i) - 1, Batch: b.ID, Kind: journal.SampleEntry, Time: m.Time, Entered: m.Time, Body: body})
	}
	return append(out, all...), nil
}

// recorded are the entries with those that the disk has changed, in order: to
// correct or strike out.
func (s *Server) recorded(ctx context.Context, b journal.Batch) ([]journal.Entry, error) {
	all, err := s.entries(ctx, b)
	if err != nil {
		return nil, err
	}
	changed, err := s.opts.Journal.ChangedEntries(ctx, b.ID)
	for _, e := range changed {
		e.Body = []byte(changedBody)
		all = append(all, e)
	}
	slices.SortStableFunc(all, func(a, b journal.Entry) int { return cmp.Compare(max(0, a.Seq), max(0, b.Seq)) })
	return all, err
}

// changedBody is that of an entry that the disk has changed: it cannot be read.
const changedBody = "changed"

// changedWords say that entries are missing from what is shown; "" if none is.
func changedWords(n int) string {
	switch n {
	case 0:
		return ""
	case 1:
		return "One entry was changed on the disk and is not shown here."
	}
	return fmt.Sprintf("%d entries were changed on the disk and are not shown here.", n)
}

// told puts an entry into words, in the brewer's scales.
func told(e journal.Entry, u Units) happening {
	h := happening{Time: e.Time, Kind: string(e.Kind)}
	var b struct {
		Sample
		Text    string   `json:"text"`
		Into    string   `json:"into"`
		Sensors []string `json:"sensors"`
	}
	if err := json.Unmarshal(e.Body, &b); err != nil && len(e.Body) > 0 {
		h.Text = fmt.Sprintf("An entry that cannot be read (%s)", e.Kind)
		if string(e.Body) == changedBody {
			h.Text = map[journal.EntryKind]string{journal.SampleEntry: "Sample", journal.CrashStarted: "Crash started", journal.NoteEntry: "Note"}[e.Kind]
			h.Text = cmp.Or(h.Text, "An entry") + ": changed on the disk, so it is not shown, and its time may be wrong"
		}
		return h
	}
	switch e.Kind {
	case journal.SampleEntry:
		h.Gravity, h.Sample = b.Gravity, &b.Sample
		h.Text = "Sample: " + sampleText(b.Sample, u)
	case journal.CrashStarted:
		h.Text = "Crash started"
	case journal.Packaged:
		h.Text = map[string]string{"keg": "Kegged", "bottle": "Bottled"}[b.Into]
		if h.Text == "" {
			h.Text = "Packaged"
		}
	case journal.NoteEntry:
		h.Text = "Note: " + b.Text
	case journal.SensorChanged:
		h.Text = "From here on without a sensor"
		if len(b.Sensors) > 0 {
			h.Text = "From here on with " + strings.Join(b.Sensors, ", ")
		}
	default:
		h.Text = string(e.Kind)
	}
	return h
}

func sampleText(m Sample, u Units) string {
	var parts []string
	if m.Gravity != nil {
		t := u.gravity(*m.Gravity)
		if m.Temperature != nil {
			t += " at " + u.temperature(*m.Temperature)
		}
		parts = append(parts, t)
	}
	if m.Brix != nil {
		parts = append(parts, tenth(*m.Brix)+" °Bx")
	}
	if m.PH != nil {
		parts = append(parts, "pH "+abv(*m.PH))
	}
	return strings.Join(parts, ", ")
}

package main

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"ebbline/alert"
	"ebbline/cmd/ebbline/page"
	"ebbline/ingest/journal"
)

// stateVersion is that of the document below; raise it when a field changes its
// meaning or goes.
const stateVersion = 1

// The stages of a batch, as the state tells them.
const (
	stageFermenting = "fermenting"
	stageCooling    = "cooling" // the crash has started
	stageCold       = "cold"
	stagePackaged   = "packaged"
)

// stateDoc is what the world may know of a batch: the retained message on
// ebbline/batch/ID/state. Absent values are null.
type stateDoc struct {
	Version  int       `json:"version"`
	Batch    string    `json:"batch"`
	Name     string    `json:"name"`
	Time     time.Time `json:"time"` // the moment it stands for, UTC
	Stage    string    `json:"stage"`
	Sentence string    `json:"sentence"` // what to do
	stateFigures
	stateOutlook
	// Alerts are the kinds of the open alerts, each once, in order of the alphabet.
	Alerts []string `json:"alerts"`
}

// stateFigures are what the beer is believed to be: Gravity in SG, ABV in % by
// volume, each with its standard deviation; Temperature in °C.
type stateFigures struct {
	Gravity     *float64 `json:"gravity"`
	GravitySD   *float64 `json:"gravity_sd"`
	ABV         *float64 `json:"abv"`
	ABVSD       *float64 `json:"abv_sd"`
	Temperature *float64 `json:"temperature"`
}

// stateOutlook is as in the contract's projection; null once packaged.
type stateOutlook struct {
	CrashBy *time.Time    `json:"crash_by"`
	Crosses *stateCrosses `json:"crosses"`
}

// stateCrosses says whether and when the ceiling is reached if nobody acts.
type stateCrosses struct {
	Probability float64    `json:"probability"`
	P10         *time.Time `json:"p10"`
	P50         *time.Time `json:"p50"`
	P90         *time.Time `json:"p90"`
}

func stateTopic(batch string) string { return "ebbline/batch/" + batch + "/state" }

// stageOf tells the stage of a running batch.
func stageOf(st alert.State) string {
	switch {
	case st.CrashStarted == nil:
		return stageFermenting
	case st.Cold == nil:
		return stageCooling
	}
	return stageCold
}

// stateOf makes the document from what the page is told too; false if nothing
// has been said of the batch yet.
func stateOf(ctx context.Context, j *journal.Journal, b journal.Batch, stage string) ([]byte, bool, error) {
	raw, ok, err := j.Get(ctx, page.SentenceKey(b.ID))
	if err != nil || !ok {
		return nil, false, err
	}
	open, err := j.Alerts(ctx, b.ID, true)
	if err != nil {
		return nil, false, err
	}
	var p present
	if err := json.Unmarshal([]byte(raw), &p); err != nil {
		return nil, false, fmt.Errorf("reading what is believed of %s: %w", b.ID, err)
	}
	doc := stateDoc{Version: stateVersion, Batch: b.ID, Name: b.Name, Time: p.Time.UTC(), Stage: stage, Sentence: p.Text, Alerts: []string{}}
	for part, into := range map[*json.RawMessage]any{&p.Estimate: &doc.stateFigures, &p.Projection: &doc.stateOutlook} {
		if len(*part) == 0 {
			continue
		}
		if err := json.Unmarshal(*part, into); err != nil {
			return nil, false, fmt.Errorf("reading what is believed of %s: %w", b.ID, err)
		}
	}
	for _, a := range open {
		doc.Alerts = append(doc.Alerts, a.Kind)
	}
	slices.Sort(doc.Alerts)
	doc.Alerts = slices.Compact(doc.Alerts)
	if stage == stagePackaged {
		doc.stateOutlook = stateOutlook{}
	}
	body, err := json.Marshal(doc)
	return body, true, err
}

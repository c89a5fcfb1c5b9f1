package main

import (
	"context"
	"slices"
	"time"

	"ebbline/ingest"
	"ebbline/ingest/journal"
	"ebbline/projection"
	"ebbline/projection/gravity"
)

// Whether beer follows what was done for its crash, by the temperatures in the
// journal alone: the watch knows of no crash yet.

const (
	// followed is how much colder the beer must be to count as following a
	// command, °C; beer that has less than twice this to go needs half of it, and
	// least is always needed.
	followed, least = 1.0, 0.3
	// nearly is how near the crash's temperature counts as being there, °C.
	nearly = 0.5
	// warmthAge is how old a temperature may be to count as that of now.
	warmthAge = 2 * time.Hour
)

// warmthAt is the beer's temperature at a moment, nil if none was heard shortly
// before.
func warmthAt(ctx context.Context, j *journal.Journal, b projection.Batch, at time.Time) (*gravity.Celsius, error) {
	all, err := warmths(ctx, j, b, at.Add(-warmthAge), at.Add(time.Microsecond))
	if err != nil || len(all) == 0 {
		return nil, err
	}
	return new(gravity.Celsius(all[len(all)-1].Value)), nil
}

// recentWarmths are the temperatures heard since a moment, of the last two hours.
// Readings count for this by their own time.
func recentWarmths(ctx context.Context, j *journal.Journal, b projection.Batch, at, now time.Time) ([]journal.Stored, error) {
	begin := at.Add(time.Microsecond)
	if recent := now.Add(-warmthAge); recent.After(begin) {
		begin = recent
	}
	return warmths(ctx, j, b, begin, time.Time{})
}

// bothBelow reports whether the last two of these temperatures are no higher than limit: one
// may be an outlier.
func bothBelow(since []journal.Stored, limit gravity.Celsius) bool {
	if len(since) < 2 {
		return false
	}
	last := since[len(since)-2:]
	return gravity.Celsius(last[0].Value) <= limit && gravity.Celsius(last[1].Value) <= limit
}

// warmths are the temperatures that the batch's sensors gave, by time, without
// those that no beer can have.
func warmths(ctx context.Context, j *journal.Journal, b projection.Batch, from, to time.Time) ([]journal.Stored, error) {
	var all []journal.Stored
	for _, s := range b.Sensors {
		some, err := j.Readings(ctx, s, ingest.Temperature, from, to, 0)
		if err != nil {
			return nil, err
		}
		all = append(all, some...)
	}
	all = slices.DeleteFunc(all, func(g journal.Stored) bool { return !projection.BeersOwn(g.Value) })
	slices.SortStableFunc(all, func(a, b journal.Stored) int { return a.Time.Compare(b.Time) })
	return all, nil
}

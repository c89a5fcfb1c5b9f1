package main

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
)

// What check says of the record's growth: worked by hand.
func TestGrowthOfTheRecordIsTold(t *testing.T) {
	t.Parallel()
	last := time.Date(2026, 3, 31, 12, 0, 0, 0, time.UTC)
	// 20,000 readings fill 2 MB, so one takes 100 bytes; 7,000 a week are 365,000 a year.
	h := journal.Held{Filled: 2e6, Readings: 20_000, First: last.AddDate(0, -1, 0), Last: last, Recent: 7000}
	require.EqualValues(t, 36_500_000, h.YearBytes())
	require.Equal(t, "At the pace of its last week it grows by about 36 MB a year; 71.3 GB are free on its disk.", growthWords(h.YearBytes(), 71_300_000_000))
	require.Equal(t, "! At the pace of its last week the disk is full in about 100 days, unless keep.thin_after_days thins old readings: 10 MB are free on its disk. "+makeRoom, growthWords(h.YearBytes(), 10_000_000))
	require.Equal(t, "! At the pace of its last week it grows by about 36 MB a year; 99 MB are free on its disk. "+makeRoom, growthWords(h.YearBytes(), 99_999_999), "a year would do, but another program may want it")
	require.Equal(t, "At the pace of its last week it grows by about 36 MB a year; 100 MB are free on its disk.", growthWords(h.YearBytes(), 100_000_000))
	require.Equal(t, "! It is too young to tell how fast it grows; 0 MB are free on its disk. "+makeRoom, growthWords(0, 0))

	h.First = last.Add(-96 * time.Hour) // the same week's readings within four days
	require.EqualValues(t, 63_875_000, h.YearBytes())
	h.First = last.Add(-48 * time.Hour)
	require.Zero(t, h.YearBytes(), "it is not known yet")
	require.Contains(t, growthWords(0, 1e9), "too young to tell")

	require.Equal(t, well("data: /srv/beer can be written"), roomIn("/srv/beer", 100_000_000))
	require.Equal(t, bad("data: 40 MB are free on the disk of /srv/beer. %s", makeRoom), roomIn("/srv/beer", 40_000_000))
	require.Equal(t, bad("data: nothing is free on the disk of /srv/beer. %s", makeRoom), roomIn("/srv/beer", 4096))

	free, err := freeBytes(t.TempDir())
	require.NoError(t, err)
	require.Positive(t, free)
	_, err = freeBytes("/nowhere")
	require.Error(t, err)
}

package page

import (
	"context"
	"slices"
	"time"
)

// thinned says what is left of the readings of a batch that were thinned since,
// or nothing if all are there.
func (s *Server) thinned(ctx context.Context, st *status) (string, error) {
	end := s.opts.Now()
	if st.Batch.Ended != nil {
		end = *st.Batch.Ended
	}
	var until time.Time
	for _, sensor := range slices.Concat(st.About.Sensors, st.Batch.Sensors) { // at pitch, and now
		at, err := s.opts.Journal.ThinnedUntil(ctx, sensor, st.About.PitchedAt, end)
		if err != nil {
			return "", err
		}
		if at.After(until) {
			until = at
		}
	}
	const kept = " are thinned: of each quarter of an hour the first, last, lowest and highest are kept."
	switch {
	case until.IsZero():
		return "", nil
	case until.After(end):
		return "The readings" + kept, nil
	}
	return "Readings before " + until.In(s.loc).Format("2 January 2006 15:04") + kept, nil
}

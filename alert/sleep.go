package alert

import (
	"strings"

	"ebbline/projection"
)

// SetQuiet changes the hours in which the brewer sleeps, from the next look on;
// nil: none. What was held back until the end of the old hours is judged by the
// new ones.
func (w *Watch) SetQuiet(q *Quiet) error {
	if q != nil {
		if err := q.check(); err != nil {
			return err
		}
	}
	w.opts.Quiet, w.state.Quiet = q, q
	return nil
}

// BeforePackaging says in sentences what keg and bottles would make of the beer
// as it is believed to be; none without a belief.
func BeforePackaging(b projection.Batch, st State) []string {
	if st.Estimate == nil || st.Projection == nil {
		return nil
	}
	said := []string{kegOrBottle(&b, st.Estimate)}
	w := words{st.Now, st.Location, st.Plato, st.Fahrenheit}
	if warm := ifBottlesWarm(w, &b, &st); warm != "" {
		said = append(said, strings.TrimSpace(warm))
	}
	return said
}

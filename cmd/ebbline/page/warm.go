package page

import (
	"fmt"
	"strings"

	"ebbline/ingest"
)

// coldEnough is the temperature up to which beer counts as crashed when it is
// packaged, °C: above it ale yeast goes on working (common practice).
const coldEnough = 8.0

// notCold says why packaging a batch now shuts working yeast in, in sentences;
// empty if a crash was entered and nothing shows that the beer is warm.
func notCold(st *status, u Units) string {
	last, known := st.LastSeen[ingest.Temperature]
	if st.Batch.Ended != nil || st.Crashed != nil && (!known || last.Value <= coldEnough) {
		return ""
	}
	said := []string{"No temperature of this beer is known, and no crash is recorded."}
	switch {
	case known && st.Crashed == nil:
		said[0] = fmt.Sprintf("This beer is at %s, and no crash is recorded.", u.temperature(last.Value))
	case known:
		said[0] = fmt.Sprintf("This beer is at %s: a crash is recorded, but it is not cold.", u.temperature(last.Value))
	}
	if o := st.Outlook; o != nil {
		q := o.ABVIfLeft
		said = append(said, fmt.Sprintf("Left alone it comes to %s–%s %% ABV (8 of 10 cases)%s.", abv(q.P10), abv(q.P90), overCeiling(st, q)))
	} else {
		said = append(said, "How far it would go on is not known yet.")
	}
	return strings.Join(append(said, "In a closed vessel it goes on building pressure and can burst."), " ")
}

// overCeiling says how a strength lies to the batch's ceiling, if not below it.
func overCeiling(st *status, q quantiles) string {
	limit, name := float64(st.About.Ceiling.Limit), ceilingText(st.About.Ceiling)
	switch {
	case q.P10 > limit:
		return ", above its ceiling of " + name
	case q.P90 > limit:
		return ", which may be above its ceiling of " + name
	}
	return ""
}

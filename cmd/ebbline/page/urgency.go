package page

import (
	"cmp"
	"slices"
	"time"

	"ebbline/ingest/journal"
)

// weight orders severities; unknown ones count as mild.
func weight(severity string) int {
	switch severity {
	case "urgent":
		return 2
	case "warning":
		return 1
	}
	return 0
}

// urgentFirst orders alerts: unanswered before answered, then by severity,
// then the newest.
func urgentFirst(all []journal.Alert) []journal.Alert {
	slices.SortStableFunc(all, func(a, b journal.Alert) int {
		if x, y := a.Acknowledged != nil, b.Acknowledged != nil; x != y {
			if x {
				return 1
			}
			return -1
		}
		return cmp.Or(cmp.Compare(weight(b.Severity), weight(a.Severity)), b.Raised.Compare(a.Raised))
	})
	return all
}

// severity is how much a batch matters now: that of its gravest open alert. An
// answered one still holds: someone has seen it, nothing more. One that asks for the
// crash does not when that has just been entered.
func (st *status) severity() string {
	worst := ""
	for _, a := range st.Alerts {
		if st.Awaits && asksForCrash(a) {
			continue
		}
		if worst == "" || weight(a.Severity) > weight(worst) {
			worst = a.Severity
		}
	}
	return worst
}

// unanswered is the weight of the gravest alert that nobody has answered; -1
// without one.
func (st *status) unanswered() int {
	most := -1
	for _, a := range st.Alerts {
		if a.Acknowledged == nil {
			most = max(most, weight(a.Severity))
		}
	}
	return most
}

// mostUrgent orders running batches: by severity, then by what nobody has
// answered, then by the time left until the crash, then by name.
func mostUrgent(a, b *status) int {
	return cmp.Or(
		cmp.Compare(weight(b.severity()), weight(a.severity())),
		cmp.Compare(b.unanswered(), a.unanswered()),
		due(a).Compare(due(b)),
		cmp.Compare(a.Batch.Name, b.Batch.Name), cmp.Compare(a.Batch.ID, b.Batch.ID),
	)
}

// due is the moment a batch's crash is due; far away if none is.
func due(st *status) time.Time {
	if st.Outlook == nil || st.Outlook.CrashBy == nil || st.Crashed != nil {
		return time.Unix(1<<40, 0)
	}
	return *st.Outlook.CrashBy
}

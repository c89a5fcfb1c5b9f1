package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"ebbline/alert"
	"ebbline/alert/deliver"
	"ebbline/ingest/journal"
)

// tellOverdue has the channels tell what was found out while the past was taken
// in and so was not told, see stale, but holds still now that the batch has come
// to the present: a float that is silent since yesterday is so today. What only
// informs is left on the page. Who sleeps is told in the morning. A sensor that has
// never been heard may be about to speak: it is given its time from now.
func (k *keeper) tellOverdue(ctx context.Context, id string, r *kept) error {
	if r.told {
		return nil
	}
	open, err := k.journal.Alerts(ctx, id, true)
	if err != nil {
		return fmt.Errorf("reading what is open: %w", err)
	}
	now := k.clock.Now()
	st := r.watch.State()
	var first []journal.Delivery
	for _, a := range open {
		if a.Severity != string(alert.Warning) || a.Acknowledged != nil || !stale(a) {
			continue
		}
		told, err := k.journal.Deliveries(ctx, a.ID)
		if err != nil {
			return fmt.Errorf("reading what was told: %w", err)
		}
		if len(told) == 0 {
			first = append(first, deliver.Plan(a, k.tellBy(), st.Awake(now.Add(r.mayYetSpeak(a))))...)
		}
	}
	if len(first) > 0 {
		if err := k.journal.Queue(ctx, first); err != nil {
			return err
		}
		k.told()
	}
	r.told = true
	return nil
}

// mayYetSpeak is for how long what an alert misses may be about to come, see
// alert.Watch.MayYetSpeak.
func (r *kept) mayYetSpeak(a journal.Alert) time.Duration {
	n, err := strconv.Atoi(a.ID[strings.LastIndex(a.ID, "/")+1:])
	if err != nil || a.Kind != string(alert.SensorSilent) {
		return 0
	}
	return r.watch.MayYetSpeak(n - r.offset[alert.SensorSilent])
}

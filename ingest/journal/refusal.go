package journal

import (
	"context"
	"fmt"

	"ebbline/ingest"
)

// Bounds of what is kept for viewing, so that a flood of junk fills nothing.
const (
	maxRefusals = 500 // rows of refusals by sensors, and as many of unassigned topics
	maxPayload  = 1024
	maxText     = 1024
)

type refusalKey struct {
	reason ingest.Reason
	topic  string
}

// refuse gathers a group's refusals, so that a flood of one kind is one row.
func (w *writer) refuse(refusals []ingest.Refusal) {
	for _, r := range refusals {
		r.Topic, r.Sensor, r.Detail = cut(r.Topic, maxText), cut(r.Sensor, maxText), cut(r.Detail, maxText)
		r.Payload = cut(r.Payload, maxPayload)
		k := refusalKey{r.Reason, r.Topic}
		seen := w.refused[k]
		if seen == nil {
			seen = &RefusalSeen{First: r.Arrived}
			w.refused[k] = seen
		}
		seen.Refusal = r
		seen.Count++
	}
}

func cut[T string | []byte](s T, n int) T { return s[:min(len(s), n)] }

func (w *writer) keepRefusals() error {
	for k, r := range w.refused {
		if _, err := w.exec(`INSERT INTO refusal (reason, topic, sensor, detail, payload, first, last, count, kept) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)
			ON CONFLICT DO UPDATE SET sensor = ?3, detail = ?4, payload = ?5, last = ?7, count = count + ?8, kept = ?9`,
			string(k.reason), k.topic, r.Sensor, r.Detail, notNil(r.Payload), micros(r.First), micros(r.Arrived), r.Count, r.Kept); err != nil {
			return fmt.Errorf("keep a refusal: %w", err)
		}
		if _, err := w.exec("INSERT INTO refusal_count (reason, count) VALUES (?1, ?2) ON CONFLICT DO UPDATE SET count = count + ?2", string(k.reason), r.Count); err != nil {
			return fmt.Errorf("count a refusal: %w", err)
		}
	}
	if len(w.refused) == 0 {
		return nil
	}
	for _, which := range []string{"sensor = ''", "sensor <> ''"} {
		if _, err := w.exec(`DELETE FROM refusal WHERE (reason, topic) IN
			(SELECT reason, topic FROM refusal WHERE `+which+` ORDER BY last DESC, reason, topic LIMIT -1 OFFSET ?)`, maxRefusals); err != nil {
			return fmt.Errorf("bound the refusals: %w", err)
		}
	}
	return nil
}

// Refusals lists the last refusal of each reason and topic, the latest first:
// at most 500 of sensors, and 500 of topics that no sensor listens to.
func (j *Journal) Refusals(ctx context.Context) ([]RefusalSeen, error) {
	all, err := query(ctx, j.read, "SELECT reason, topic, sensor, detail, payload, first, last, count, kept FROM refusal ORDER BY last DESC, topic, reason", nil,
		func(row scanner) (r RefusalSeen, err error) {
			var first, last int64
			err = row.Scan(&r.Reason, &r.Topic, &r.Sensor, &r.Detail, &r.Payload, &first, &last, &r.Count, &r.Kept)
			r.First, r.Arrived = fromMicros(first), fromMicros(last)
			return r, err
		})
	if err != nil {
		return nil, fmt.Errorf("list the refusals: %w", err)
	}
	return all, nil
}

// RefusalCounts gives how often each reason occurred, ever.
func (j *Journal) RefusalCounts(ctx context.Context) (map[ingest.Reason]int64, error) {
	type one struct {
		reason ingest.Reason
		count  int64
	}
	all, err := query(ctx, j.read, "SELECT reason, count FROM refusal_count", nil,
		func(row scanner) (o one, err error) { return o, row.Scan(&o.reason, &o.count) })
	if err != nil {
		return nil, fmt.Errorf("count the refusals: %w", err)
	}
	counts := map[ingest.Reason]int64{}
	for _, o := range all {
		counts[o.reason] = o.count
	}
	return counts, nil
}

// UnassignedTopics lists topics that no sensor listened to when their last
// message came (refusals without a sensor), the latest first; at most 500. A
// sensor may listen to one of them by now: match them before showing.
func (j *Journal) UnassignedTopics(ctx context.Context) ([]TopicSeen, error) {
	refusals, err := j.Refusals(ctx)
	if err != nil {
		return nil, err
	}
	var topics []TopicSeen
	place := map[string]int{}
	for _, r := range refusals {
		if r.Sensor != "" || r.Topic == "" { // nobody publishes to "": its message was too large to be read
			continue
		}
		i, ok := place[r.Topic]
		if !ok {
			place[r.Topic] = len(topics)
			topics = append(topics, TopicSeen{Topic: r.Topic, Payload: r.Payload, Count: r.Count, First: r.First, Last: r.Arrived, Reason: r.Reason, Detail: r.Detail})
			continue
		}
		topics[i].Count += r.Count
		if r.First.Before(topics[i].First) {
			topics[i].First = r.First
		}
	}
	return topics, nil
}

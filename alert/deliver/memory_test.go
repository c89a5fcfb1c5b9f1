package deliver

import (
	"context"
	"slices"
	"sort"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ebbline/ingest/journal"
	"ebbline/ingest/journal/journaltest"
)

// memory is a Store for tests that need virtual time. It must behave as the
// journal does: TestMemoryBehavesLikeTheJournal.
type memory struct {
	mu         sync.Mutex
	alerts     map[string]journal.Alert
	deliveries []journal.Delivery
	settings   map[string]string
	// fault, if set, may fail a call before it has done anything.
	fault func(call string) error
}

func newMemory(alerts ...journal.Alert) *memory {
	m := &memory{alerts: map[string]journal.Alert{}, settings: map[string]string{}}
	for _, a := range alerts {
		m.alerts[a.ID] = a
	}
	return m
}

func (m *memory) enter(call string) (func(), error) {
	m.mu.Lock()
	if m.fault != nil {
		if err := m.fault(call); err != nil {
			m.mu.Unlock()
			return nil, err
		}
	}
	return m.mu.Unlock, nil
}

func (m *memory) change(id string, f func(*journal.Alert)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	a := m.alerts[id]
	f(&a)
	m.alerts[id] = a
}

func (m *memory) Due(_ context.Context, now time.Time, _ int) ([]journal.Delivery, error) {
	leave, err := m.enter("due")
	if err != nil {
		return nil, err
	}
	defer leave()
	var due []journal.Delivery
	for _, d := range m.deliveries {
		if d.Done == nil && !d.Due.After(now) {
			due = append(due, d)
		}
	}
	sort.SliceStable(due, func(i, k int) bool { return due[i].Due.Before(due[k].Due) })
	return due, nil
}

func (m *memory) Queue(_ context.Context, all []journal.Delivery) error {
	leave, err := m.enter("queue")
	if err != nil {
		return err
	}
	defer leave()
next:
	for _, d := range all {
		for _, old := range m.deliveries {
			if old.Alert == d.Alert && old.Channel == d.Channel && old.N == d.N {
				continue next
			}
		}
		d.ID = int64(len(m.deliveries) + 1)
		m.deliveries = append(m.deliveries, d)
	}
	return nil
}

func (m *memory) update(call string, id int64, f func(*journal.Delivery)) error {
	leave, err := m.enter(call)
	if err != nil {
		return err
	}
	defer leave()
	if id < 1 || id > int64(len(m.deliveries)) {
		return journal.ErrNotFound
	}
	if d := &m.deliveries[id-1]; d.Done == nil {
		f(d)
	}
	return nil
}

func (m *memory) MarkStarted(_ context.Context, id int64, at time.Time) error {
	return m.update("started", id, func(d *journal.Delivery) { d.Started, d.Attempts = &at, d.Attempts+1 })
}

func (m *memory) MarkDone(_ context.Context, id int64, at time.Time, outcome, text string) error {
	return m.update("done", id, func(d *journal.Delivery) { d.Done, d.Outcome, d.Error = &at, outcome, text })
}

func (m *memory) Postpone(_ context.Context, id int64, due time.Time, text string) error {
	return m.update("postpone", id, func(d *journal.Delivery) { d.Started, d.Due, d.Error = nil, due, text })
}

func (m *memory) Alert(_ context.Context, id string) (journal.Alert, error) {
	leave, err := m.enter("alert")
	if err != nil {
		return journal.Alert{}, err
	}
	defer leave()
	a, ok := m.alerts[id]
	if !ok {
		return a, journal.ErrNotFound
	}
	return a, nil
}

func (m *memory) Deliveries(_ context.Context, alert string) ([]journal.Delivery, error) {
	leave, err := m.enter("deliveries")
	if err != nil {
		return nil, err
	}
	defer leave()
	return slices.DeleteFunc(slices.Clone(m.deliveries), func(d journal.Delivery) bool { return d.Alert != alert }), nil
}

func (m *memory) Get(_ context.Context, key string) (string, bool, error) {
	leave, err := m.enter("get")
	if err != nil {
		return "", false, err
	}
	defer leave()
	v, ok := m.settings[key]
	return v, ok, nil
}

func (m *memory) Set(_ context.Context, key, value string) error {
	leave, err := m.enter("set")
	if err != nil {
		return err
	}
	defer leave()
	m.settings[key] = value
	return nil
}

func (m *memory) all() []journal.Delivery {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]journal.Delivery(nil), m.deliveries...)
}

// base is when the tests' alerts are recorded.
var base = time.Date(2026, 3, 4, 21, 0, 0, 0, time.UTC)

// ring is an alert of the tests' own.
func ring(kind, severity string, recorded time.Time) journal.Alert {
	return journal.Alert{
		ID: "pale-wheat-12/" + kind + "/1", Batch: "pale-wheat-12", Kind: kind, Severity: severity,
		Title: "Start the crash now: pale wheat 12", Message: "Start the crash now, or keg.",
		Raised: recorded, Recorded: recorded, Token: "token-of-" + kind,
	}
}

// journalWith is a real journal that holds the alerts.
func journalWith(t *testing.T, alerts ...journal.Alert) *journal.Journal {
	t.Helper()
	j := journaltest.Open(t)
	_, err := j.CreateBatch(t.Context(), journal.Batch{ID: "pale-wheat-12", Name: "pale wheat 12", Spec: []byte(`{}`), Started: base})
	require.NoError(t, err)
	require.NoError(t, j.Say(t.Context(), "pale-wheat-12", 0, nil, nil, alerts, nil, base, nil))
	return j
}

func TestMemoryBehavesLikeTheJournal(t *testing.T) {
	a := ring("crash-now", "urgent", base)
	stores := map[string]Store{"memory": newMemory(a), "journal": journalWith(t, a)}
	for name, s := range stores {
		t.Run(name, func(t *testing.T) {
			ctx := t.Context()
			got, err := s.Alert(ctx, a.ID)
			require.NoError(t, err)
			require.Equal(t, a.Token, got.Token)
			_, err = s.Alert(ctx, "another")
			require.ErrorIs(t, err, journal.ErrNotFound)

			plan := Plan(a, []string{"phone", "hook"}, base)
			require.NoError(t, s.Queue(ctx, plan))
			require.NoError(t, s.Queue(ctx, plan), "queueing again changes nothing")
			due, err := s.Due(ctx, base.Add(-time.Second), 0)
			require.NoError(t, err)
			require.Empty(t, due)
			due, err = s.Due(ctx, base, 0)
			require.NoError(t, err)
			require.Len(t, due, 2)
			first := due[0].ID

			require.NoError(t, s.MarkStarted(ctx, first, base))
			due, err = s.Due(ctx, base, 0)
			require.NoError(t, err)
			require.Len(t, due, 2, "started is still due: it was not done")
			require.Equal(t, 1, due[0].Attempts)
			require.NotNil(t, due[0].Started)

			require.NoError(t, s.Postpone(ctx, first, base.Add(time.Minute), "later"))
			due, err = s.Due(ctx, base, 0)
			require.NoError(t, err)
			require.Len(t, due, 1)
			due, err = s.Due(ctx, base.Add(time.Minute), 0)
			require.NoError(t, err)
			require.Len(t, due, 2)
			require.Nil(t, due[1].Started)
			require.Equal(t, []any{first, 1, "later"}, []any{due[1].ID, due[1].Attempts, due[1].Error})

			require.NoError(t, s.MarkDone(ctx, first, base, accepted, ""))
			require.NoError(t, s.MarkDone(ctx, first, base, refused, "x"), "the first outcome stays")
			due, err = s.Due(ctx, base.Add(time.Hour), 0)
			require.NoError(t, err)
			require.Len(t, due, 1)
			all, err := s.Deliveries(ctx, a.ID)
			require.NoError(t, err)
			require.Len(t, all, 2)
			require.Equal(t, accepted, all[0].Outcome)
			_, ok, err := s.Get(ctx, recordKey("phone"))
			require.NoError(t, err)
			require.False(t, ok)
			require.NoError(t, s.Set(ctx, recordKey("phone"), "{}"))
			kept, ok, err := s.Get(ctx, recordKey("phone"))
			require.NoError(t, err)
			require.Equal(t, []any{"{}", true}, []any{kept, ok})
			require.ErrorIs(t, s.MarkDone(ctx, 999, base, accepted, ""), journal.ErrNotFound)
		})
	}
}

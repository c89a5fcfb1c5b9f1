package main

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"ebbline/projection/gravity"
)

// The states of a command. They only go forward, but for sendingHeld, which is
// tried again.
const (
	sendingNow    = "sending" // recorded before it is sent
	sendingHeld   = "held"    // certainly not sent
	sendingDone   = "sent"
	sendingUnsure = "unsure" // may have been sent; never again
	sendingOver   = "over"   // the crash has started, or the batch is packaged
	sendingStruck = "struck" // was over, but its crash was struck out: a person's from there
)

// sending is the record of one command: the last of its batch.
type sending struct {
	Alert   string    `json:"alert"` // the occurrence of crash-now it answers
	State   string    `json:"state"`
	At      time.Time `json:"at"` // recorded just before it was sent
	Topic   string    `json:"topic"`
	Payload string    `json:"payload"`
	Why     string    `json:"why,omitempty"` // it was not sent, or is not known to be
	// From is the beer's temperature when it was sent, °C; nil: not known then.
	From *gravity.Celsius `json:"from,omitempty"`
	// Noted: the record of the batch holds a remark about it.
	Noted bool `json:"noted,omitempty"`
	// Crashed: it is over because a crash was in the record.
	Crashed bool `json:"crashed,omitempty"`
	// Was is the State that ended because the batch was not watched any more.
	Was string `json:"was,omitempty"`
	// Told is the ID of the alert that says that something is wrong.
	Told string `json:"told,omitempty"`
}

func commandKey(batch string) string { return "command/" + batch }

// load gives the record of a batch, nil if there is none.
func (c *commander) load(ctx context.Context, batch string) (*sending, error) {
	c.mu.Lock()
	rec, known := c.records[batch]
	saved := c.sure[batch]
	c.mu.Unlock()
	if known {
		if rec == nil {
			return nil, nil
		}
		copied := *rec // what is in the map is read by others
		if !saved {    // the journal did not take it
			return &copied, c.save(ctx, batch, &copied)
		}
		return &copied, nil
	}
	raw, ok, err := c.journal.Get(ctx, commandKey(batch))
	if err != nil {
		return nil, err
	}
	if ok {
		rec = &sending{}
		if err := json.Unmarshal([]byte(raw), rec); err != nil {
			return nil, fmt.Errorf("reading the record of its command: %w", err)
		}
	}
	if rec != nil && rec.State == sendingOver && !rec.Crashed && c.clock.Now().Sub(rec.At) > commandPastUse {
		rec = nil // long over: nothing depends on it
	}
	c.keep(batch, rec, true)
	return rec, nil
}

// known are the batches with a record that is not over.
func (c *commander) known() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	var ids []string
	for id, rec := range c.records {
		if rec != nil && rec.State != sendingOver {
			ids = append(ids, id)
		}
	}
	return ids
}

// cares reports whether a batch has a record that is not over.
func (c *commander) cares(batch string) bool { return slices.Contains(c.known(), batch) }

// looksAfter reports whether a command that may have been sent answers an occurrence
// of crash-now, and the phone is told if the beer does not follow it.
func (c *commander) looksAfter(batch, crashNow string) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	rec := c.records[batch]
	return rec != nil && rec.Alert == crashNow && (rec.State == sendingDone || rec.State == sendingUnsure)
}

// save writes the record down. What holds is kept in any case; a record that
// the journal did not take is written again at the next turn.
func (c *commander) save(ctx context.Context, batch string, rec *sending) error {
	body, err := json.Marshal(rec)
	if err != nil {
		return err
	}
	c.keep(batch, rec, false)
	if err := c.journal.Set(ctx, commandKey(batch), string(body)); err != nil {
		if rec.State == sendingNow { // nothing was sent, and nothing will be now
			rec.State, rec.Why = sendingHeld, "that could not be written down first"
			c.keep(batch, rec, false)
		}
		return err
	}
	c.keep(batch, rec, true)
	return nil
}

func (c *commander) keep(batch string, rec *sending, saved bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.records == nil {
		c.records, c.sure = map[string]*sending{}, map[string]bool{}
	}
	if rec != nil {
		copied := *rec
		rec = &copied
	}
	c.records[batch], c.sure[batch] = rec, saved
}

// aside is what there is to say of a batch's command beside its sentence, or "".
func (c *commander) aside(batch string) string {
	c.mu.Lock()
	defer c.mu.Unlock()
	rec := c.records[batch]
	if rec == nil {
		return ""
	}
	at := rec.At.In(c.zone).Format("15:04")
	switch rec.State {
	case sendingHeld:
		return fmt.Sprintf("The command to %s could not be sent yet: %s. It is tried again; do not rely on it.", rec.Topic, rec.Why)
	case sendingDone:
		return fmt.Sprintf("The command was sent to %s at %s; the beer is not colder yet.", rec.Topic, at)
	case sendingStruck:
		return fmt.Sprintf("The command went to %s at %s, and the crash that followed was struck out, so it is not sent again: look at the cooling yourself.", rec.Topic, at)
	case sendingUnsure:
		return fmt.Sprintf("Whether the command to %s got there at %s is not known, and it is not sent again: look at the cooling yourself.", rec.Topic, at)
	}
	return ""
}

// trouble says for health what is wrong with any command, or "".
func (c *commander) trouble() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	for batch, rec := range c.records {
		switch {
		case rec == nil:
		case rec.State == sendingHeld:
			return fmt.Sprintf("Batch %s: the command to %s could not be sent yet (%s). It is tried again every few seconds.", batch, rec.Topic, rec.Why)
		case rec.State == sendingUnsure:
			return fmt.Sprintf("Batch %s: whether the command to %s was sent is not known (%s), and it is never sent twice: look at the cooling.", batch, rec.Topic, rec.Why)
		case rec.State == sendingDone && rec.Told != "":
			return fmt.Sprintf("Batch %s: the command was sent to %s and the beer did not get colder: look at the cooling.", batch, rec.Topic)
		}
	}
	return ""
}

// remark is what the record of the batch says of the command.
func (s *sending) remark() string {
	if s.State == sendingUnsure {
		return fmt.Sprintf("On crash-now ebbline may have published %#q to %s: %s.", s.Payload, s.Topic, s.Why)
	}
	return fmt.Sprintf("On crash-now ebbline published %#q to %s.", s.Payload, s.Topic)
}

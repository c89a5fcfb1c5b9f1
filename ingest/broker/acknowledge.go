package broker

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// errNotYet is the cause of a context that is over from the start: who asks with
// it does not wait.
var errNotYet = errors.New("not settled yet")

// acknowledge gives the acknowledgements of one connection, in the order in
// which the messages came (MQTT 3.1.1 §4.6), as many in one write as are ready.
func (l *link) acknowledge() {
	glance, cancel := context.WithCancelCause(context.Background())
	cancel(errNotYet)
	run := make([]*delivery, 0, maxCorked)
	var held *delivery // taken from the queue and not ready yet
	for {
		d := held
		if d == nil {
			select {
			case d = <-l.entries:
			case <-l.over:
				return
			}
		}
		select {
		case <-d.done:
		case <-l.over:
			return
		}
		if !l.settle(d) {
			return
		}
		run, held = l.gather(glance, append(run[:0], d))
		if err := l.acknowledgeRun(run); err != nil {
			select {
			case l.unstored <- err:
			default: // told already
			}
		}
		for _, d := range run {
			l.room.Release(d.size())
		}
		l.answerMarks(run)
	}
}

// settle waits until it is known what became of d; false if the connection ended
// before. All that came in one stretch expires in one: a disk that hangs does not
// take its time from each message in turn.
func (l *link) settle(d *delivery) bool {
	if d.settle == nil {
		return true
	}
	ctx, cancel := context.WithDeadline(l.ctx, d.expires)
	defer cancel()
	return d.conclude(ctx)
}

// conclude asks what became of d and counts it; false if it is not known yet.
func (d *delivery) conclude(ctx context.Context) bool {
	in := d.link.sub.in
	err := in.guarded(d.message.Topic, func() error { return d.settle(ctx) })
	if errors.Is(err, errNotYet) {
		return false
	}
	d.settle = nil
	_, d.err = in.settled(d.message.Topic, d.packet.Qos(), err)
	return true
}

// gather adds what is ready without waiting. It returns the first that is not.
func (l *link) gather(glance context.Context, run []*delivery) (ready []*delivery, held *delivery) {
	for len(run) < maxCorked {
		select {
		case d := <-l.entries:
			select {
			case <-d.done:
			default:
				return run, d
			}
			if d.settle != nil && !d.conclude(glance) {
				return run, d
			}
			run = append(run, d)
		default:
			return run, nil
		}
	}
	return run, nil
}

// acknowledgeRun acknowledges those that were stored and returns the first error.
func (l *link) acknowledgeRun(run []*delivery) error {
	var first error
	n := 0
	for _, d := range run {
		switch {
		case d.err != nil && d.packet.Qos() > 0 && first == nil:
			first = fmt.Errorf("%w (%w)", errNotStored, d.err)
		case d.err == nil && d.packet != nil && d.packet.Qos() == 1:
			n++
		}
	}
	l.conn.Load().cork(n)
	for _, d := range run {
		if d.err != nil || d.packet == nil || d.packet.Qos() == 0 {
			continue
		}
		d.packet.Ack()
		l.sub.in.acknowledged.Add(1)
	}
	return first
}

// answerMarks tells Close that everything before its mark has been acknowledged.
func (l *link) answerMarks(run []*delivery) {
	for _, d := range run {
		if d.flushed != nil {
			l.conn.Load().waitSettled(time.Second)
			close(d.flushed)
		}
	}
}

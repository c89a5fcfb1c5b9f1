package broker

import (
	"fmt"
	"time"
)

// acknowledge gives the acknowledgements of one connection, in the order in
// which the messages came (MQTT 3.1.1 §4.6), as many in one write as are ready.
func (l *link) acknowledge() {
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
		run, held = l.gather(append(run[:0], d))
		if err := l.acknowledgeRun(run); err != nil {
			select {
			case l.unstored <- err:
			default: // told already
			}
		}
		l.answerMarks(run)
	}
}

// gather adds what is ready without waiting. It returns the first that is not.
func (l *link) gather(run []*delivery) (ready []*delivery, held *delivery) {
	for len(run) < maxCorked {
		select {
		case d := <-l.entries:
			select {
			case <-d.done:
				run = append(run, d)
			default:
				return run, d
			}
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

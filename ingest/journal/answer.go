package journal

import (
	"time"

	"ebbline/ingest"
)

// Bin is what a series did in one bucket of time. Buckets without a reading
// are not given: a gap stays a gap.
type Bin struct {
	// Time is where the bucket begins; it ends before the next one's begin.
	Time  time.Time
	Count int64
	// Min, Max, Mean and Last (by the reading's time) in the quantity's unit.
	Min, Max, Mean, Last float64
}

// SeriesSeen is one quantity of one sensor that has readings, with the last
// of them by its time.
type SeriesSeen struct {
	Sensor   string
	Quantity ingest.Quantity
	Last     Stored
}

// SaidEvent is an event with its place in the order of commits.
type SaidEvent struct {
	// Row rises with every event of any batch ever committed.
	Row int64
	Event
}

// RefusalSeen is the last refusal of one reason on one topic.
type RefusalSeen struct {
	ingest.Refusal // the last one; Arrived is when
	// Count is how many there were since First. Both start anew if the row was
	// dropped to keep the table bounded; RefusalCounts never forgets.
	Count int64
	First time.Time
}

// TopicSeen is a topic to which no sensor listened when its message came.
type TopicSeen struct {
	Topic       string
	Payload     []byte // of the last message, first KiB
	Count       int64
	First, Last time.Time
	// Reason and Detail are of the last refusal: the topic may be one that its
	// client may not publish to.
	Reason ingest.Reason
	Detail string
}

// Stats is the state of the store, for metrics.
type Stats struct {
	Readings  int64 // rows
	Thinned   int64 // readings that were thinned out, ever
	LastSeq   int64 // of the last committed reading or entry
	FileBytes int64 // of the database and its write-ahead log
	Pending   int   // deliveries not done
	Overdue   int   // those of them that are due, or failed and are tried again
	// Waiting is how many callers stand in the writer's queue.
	Waiting int
	Groups  int64 // commits since opening
	Failed  int64 // groups that failed since opening
	// Diverged counts events that a watch said again with other words since
	// opening: not 0 is a bug in the watch.
	Diverged int64
	// LastCommit is how long the last group took from begin to durable.
	LastCommit time.Duration
	LastGroup  int // callers in the last group
}

// Health says whether what comes in can be kept.
type Health struct {
	OK bool
	// Problem says in plain words what is wrong and what to do; empty if OK.
	Problem string
	// Since is when the state last changed.
	Since time.Time
	// LastCommit is when something last became durable; zero: not yet.
	LastCommit time.Time
}

package journal

// Format of the journal on disk. Times are UTC microseconds since 1970; bodies
// are JSON as given. Change it only by a further migration.
//
//	series   a sensor's quantity, interned
//	reading  clustered by series and time, for range scans; seq is the order of
//	         arrival. tie is 0 if the device gave the time; else the value's bits
//	         plus one, so that two values that arrive in the same microsecond are
//	         two readings and the same one recorded twice is one. lag is arrival
//	         less time, µs. flags: 1 is Reading.Uncorrected, 2 Reading.Repeated.
//	fresh    the last readings, not yet in there; see fresh.go
//	hour     the readings of an hour that is over, binned; see hours.go
//	entry    what a person entered, in the same order as the readings
//	event    what a watch said; id is the order of commits over all batches
//	watch    the last snapshot of a watch, and how far that had read and said
//	refusal  the last of each reason and topic; refusal_count never forgets
//	meta     readings: number of rows in reading, for metrics; thinned: see thin.go
//	crc      in each table, of each row; see sum.go
const schemaV1 = `
CREATE TABLE series (
  id       INTEGER PRIMARY KEY,
  sensor   TEXT NOT NULL,
  quantity TEXT NOT NULL,
  UNIQUE (sensor, quantity)
) STRICT;

CREATE TABLE reading (
  series INTEGER NOT NULL REFERENCES series (id),
  time   INTEGER NOT NULL,
  tie    INTEGER NOT NULL,
  lag    INTEGER NOT NULL,
  value  REAL NOT NULL,
  flags  INTEGER NOT NULL,
  seq    INTEGER NOT NULL,
  PRIMARY KEY (series, time, tie)
) STRICT, WITHOUT ROWID;
CREATE INDEX reading_by_seq ON reading (seq);
CREATE INDEX reading_by_series_seq ON reading (series, seq);

CREATE TABLE batch (
  no      INTEGER PRIMARY KEY,
  id      TEXT NOT NULL UNIQUE,
  name    TEXT NOT NULL,
  spec    BLOB NOT NULL,
  started INTEGER NOT NULL,
  ended   INTEGER
) STRICT;

CREATE TABLE batch_sensor (
  batch   INTEGER NOT NULL REFERENCES batch (no),
  place   INTEGER NOT NULL,
  sensor  TEXT NOT NULL,
  running INTEGER NOT NULL,
  PRIMARY KEY (batch, place)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX batch_sensor_claim ON batch_sensor (sensor) WHERE running = 1;

CREATE TABLE entry (
  seq     INTEGER PRIMARY KEY,
  batch   INTEGER NOT NULL REFERENCES batch (no),
  kind    TEXT NOT NULL,
  time    INTEGER NOT NULL,
  entered INTEGER NOT NULL,
  body    BLOB NOT NULL,
  key     TEXT,
  UNIQUE (batch, key)
) STRICT;
CREATE INDEX entry_by_batch ON entry (batch, seq);

CREATE TABLE event (
  id    INTEGER PRIMARY KEY,
  batch INTEGER NOT NULL REFERENCES batch (no),
  n     INTEGER NOT NULL,
  type  TEXT NOT NULL,
  time  INTEGER NOT NULL,
  body  BLOB NOT NULL,
  UNIQUE (batch, n)
) STRICT;
CREATE INDEX event_by_type ON event (batch, type, time, n);

CREATE TABLE watch (
  batch        INTEGER PRIMARY KEY REFERENCES batch (no),
  seq          INTEGER NOT NULL,
  snapshot     BLOB,
  snapshot_seq INTEGER NOT NULL,
  last_n       INTEGER NOT NULL
) STRICT;

CREATE TABLE alert (
  id            TEXT PRIMARY KEY,
  batch         TEXT NOT NULL,
  kind          TEXT NOT NULL,
  severity      TEXT NOT NULL,
  title         TEXT NOT NULL,
  message       TEXT NOT NULL,
  body          BLOB NOT NULL,
  raised        INTEGER NOT NULL,
  recorded      INTEGER NOT NULL,
  acknowledged  INTEGER,
  snoozed_until INTEGER,
  resolved      INTEGER,
  token         TEXT UNIQUE
) STRICT;
CREATE INDEX alert_by_batch ON alert (batch, raised);
CREATE INDEX alert_open ON alert (raised) WHERE resolved IS NULL;

CREATE TABLE delivery (
  id       INTEGER PRIMARY KEY,
  alert    TEXT NOT NULL REFERENCES alert (id),
  channel  TEXT NOT NULL,
  n        INTEGER NOT NULL,
  due      INTEGER NOT NULL,
  attempts INTEGER NOT NULL DEFAULT 0,
  started  INTEGER,
  done     INTEGER,
  outcome  TEXT NOT NULL DEFAULT '',
  error    TEXT NOT NULL DEFAULT '',
  UNIQUE (alert, channel, n)
) STRICT;
CREATE INDEX delivery_due ON delivery (due) WHERE done IS NULL;

CREATE TABLE refusal (
  reason  TEXT NOT NULL,
  topic   TEXT NOT NULL,
  sensor  TEXT NOT NULL,
  detail  TEXT NOT NULL,
  kept    INTEGER NOT NULL,
  payload BLOB NOT NULL,
  first   INTEGER NOT NULL,
  last    INTEGER NOT NULL,
  count   INTEGER NOT NULL,
  PRIMARY KEY (reason, topic)
) STRICT, WITHOUT ROWID;
CREATE TABLE refusal_count (
  reason TEXT PRIMARY KEY,
  count  INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE cursor (
  name  TEXT PRIMARY KEY,
  value INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE setting (
  key   TEXT PRIMARY KEY,
  value TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE meta (
  key   TEXT PRIMARY KEY,
  value INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO meta VALUES ('readings', 0);
`

// migrations leads from user_version i to i+1 by its statement i. An entry is
// never changed once a release has it.
func migrations() []string { return []string{schemaV1, schemaV2, schemaV3, schemaV4()} }

// applicationID marks the file as ours ("ebbl").
const applicationID = 0x6562626c

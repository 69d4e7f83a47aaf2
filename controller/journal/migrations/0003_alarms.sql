-- Alarms as they stand, so that a restart neither forgets nor repeats them; ``body`` is the alarms' own form.
CREATE TABLE alarm (
  key TEXT NOT NULL PRIMARY KEY,
  body TEXT NOT NULL CHECK (json_valid(body))
) STRICT, WITHOUT ROWID;

-- What became of alarms: raised, acknowledged (by whom), ended.
CREATE TABLE alarm_event (
  id INTEGER PRIMARY KEY,
  at_s REAL NOT NULL,
  key TEXT NOT NULL,
  event TEXT NOT NULL CHECK (event IN ('raised', 'acknowledged', 'over')),
  severity INTEGER NOT NULL CHECK (severity BETWEEN 1 AND 4),
  who TEXT NOT NULL,
  because TEXT NOT NULL
) STRICT;
CREATE INDEX alarm_event_by_time ON alarm_event (at_s);

-- Messages to people; one without ``delivered_s`` and ``given_up_s`` is still to be sent.
CREATE TABLE message (
  id TEXT NOT NULL PRIMARY KEY,
  way TEXT NOT NULL,
  kind TEXT NOT NULL,
  severity INTEGER NOT NULL CHECK (severity BETWEEN 1 AND 4),
  subject TEXT NOT NULL,
  text TEXT NOT NULL,
  made_s REAL NOT NULL,
  attempts INTEGER NOT NULL DEFAULT 0,
  delivered_s REAL,
  given_up_s REAL,
  trouble TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX message_to_send ON message (made_s) WHERE delivered_s IS NULL AND given_up_s IS NULL;

-- When heat was last proven for each tree.
CREATE TABLE proof (
  tree TEXT NOT NULL PRIMARY KEY,
  at_s REAL NOT NULL
) STRICT, WITHOUT ROWID;

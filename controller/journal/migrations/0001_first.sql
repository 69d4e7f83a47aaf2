-- Times are seconds since 1970, UTC. Unknown numbers are NULL.
CREATE TABLE reading (
  probe TEXT NOT NULL,
  at_s REAL NOT NULL,
  temp_c REAL NOT NULL,
  PRIMARY KEY (probe, at_s)
) STRICT, WITHOUT ROWID;

CREATE TABLE decision (
  id INTEGER PRIMARY KEY,
  at_s REAL NOT NULL,
  kind TEXT NOT NULL CHECK (kind IN ('tree', 'vent')),
  name TEXT NOT NULL,
  active INTEGER NOT NULL CHECK (active IN (0, 1)),
  reason TEXT NOT NULL,
  because TEXT NOT NULL,
  temp_c REAL,
  limit_c REAL
) STRICT;
CREATE INDEX decision_by_time ON decision (at_s);

CREATE TABLE forecast (
  id INTEGER PRIMARY KEY,
  fetched_s REAL NOT NULL,
  issued_s REAL,
  source TEXT NOT NULL,
  body TEXT NOT NULL CHECK (json_valid(body))
) STRICT;
CREATE INDEX forecast_by_time ON forecast (fetched_s);

CREATE TABLE hand_order (
  id TEXT NOT NULL,
  received_s REAL NOT NULL,
  who TEXT NOT NULL,
  target_kind TEXT NOT NULL CHECK (target_kind IN ('tree', 'vent', 'all')),
  target TEXT NOT NULL,
  position TEXT NOT NULL CHECK (position IN ('hand-on', 'hand-off', 'auto')),
  until_s REAL NOT NULL,
  version INTEGER NOT NULL,
  accepted INTEGER NOT NULL CHECK (accepted IN (0, 1)),
  because TEXT NOT NULL,
  PRIMARY KEY (received_s, id)
) STRICT;

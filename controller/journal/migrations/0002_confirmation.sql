-- What people said was done (fleece on or off, vents shut, harvested), and what the guard answered.
CREATE TABLE confirmation (
  id TEXT NOT NULL,
  received_s REAL NOT NULL,
  who TEXT NOT NULL,
  what TEXT NOT NULL CHECK (what IN ('covered', 'uncovered', 'vents-shut', 'harvested', 'taken-back')),
  target_kind TEXT NOT NULL CHECK (target_kind IN ('tree', 'vent', 'all')),
  target TEXT NOT NULL,
  at_s REAL NOT NULL,
  version INTEGER NOT NULL,
  taken_back TEXT NOT NULL,
  accepted INTEGER NOT NULL CHECK (accepted IN (0, 1)),
  because TEXT NOT NULL,
  PRIMARY KEY (received_s, id)
) STRICT;

-- Orders may name what they let go, and take an earlier one back; SQLite changes a CHECK only by a new table.
CREATE TABLE hand_order_new (
  number INTEGER PRIMARY KEY,
  id TEXT NOT NULL,
  received_s REAL NOT NULL,
  who TEXT NOT NULL,
  target_kind TEXT NOT NULL CHECK (target_kind IN ('tree', 'vent', 'all')),
  target TEXT NOT NULL,
  position TEXT NOT NULL CHECK (position IN ('hand-on', 'hand-off', 'auto', 'taken-back')),
  until_s REAL NOT NULL,
  version INTEGER NOT NULL,
  accepted INTEGER NOT NULL CHECK (accepted IN (0, 1)),
  because TEXT NOT NULL,
  consent TEXT NOT NULL DEFAULT '',
  taken_back TEXT NOT NULL DEFAULT ''
) STRICT;
INSERT INTO hand_order_new
  (id, received_s, who, target_kind, target, position, until_s, version, accepted, because)
  SELECT id, received_s, who, target_kind, target, position, until_s, version, accepted, because
  FROM hand_order ORDER BY rowid;
DROP TABLE hand_order;
ALTER TABLE hand_order_new RENAME TO hand_order;
CREATE INDEX hand_order_by_time ON hand_order (received_s);

-- The sheets of wiring tests, in their own form: never pruned, for each autumn is compared with those before.
CREATE TABLE wiring_sheet (
  at_s REAL NOT NULL PRIMARY KEY,
  kind TEXT NOT NULL CHECK (kind IN ('full', 'short', 'unattended')),
  verdict TEXT NOT NULL CHECK (verdict IN ('good', 'faulty', 'incomplete')),
  made_by TEXT NOT NULL,
  body TEXT NOT NULL CHECK (json_valid(body))
) STRICT;

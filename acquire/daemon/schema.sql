-- The whole state of one daemon. Local disk only: the write-ahead log does not work on network shares.
-- Times are seconds since the epoch, UTC, as REAL; texts are what the user sent, kept whole.
-- hands: how many times a person has to act, by the plan when it was submitted; NULL = not known.

CREATE TABLE run (
  id               INTEGER PRIMARY KEY AUTOINCREMENT,
  recipe_name      TEXT NOT NULL,
  recipe_text      TEXT NOT NULL,
  bench            TEXT NOT NULL,
  priority         INTEGER NOT NULL DEFAULT 0,
  state            TEXT NOT NULL DEFAULT 'queued'
                   CHECK (state IN ('queued', 'running', 'parked', 'finished', 'cancelled')),
  submitted_at     REAL NOT NULL,
  submitted_by     TEXT NOT NULL DEFAULT '',
  submission_key   TEXT UNIQUE,
  not_before       REAL NOT NULL DEFAULT 0,
  schedule         INTEGER REFERENCES schedule (id),
  attempts         INTEGER NOT NULL DEFAULT 0,
  cancel_requested INTEGER NOT NULL DEFAULT 0 CHECK (cancel_requested IN (0, 1)),
  worker_pid       INTEGER,
  started_at       REAL,
  ended_at         REAL,
  spool            TEXT,
  path             TEXT,
  exit_code        INTEGER,
  reason           TEXT NOT NULL DEFAULT '',
  document         TEXT,
  hands            INTEGER
) STRICT;

-- Two active runs on one bench cannot exist, whoever writes.
CREATE UNIQUE INDEX one_active_run_per_bench ON run (bench) WHERE state = 'running';
CREATE INDEX run_by_turn ON run (state, bench, priority DESC, id);

CREATE TABLE gate (
  id           INTEGER PRIMARY KEY AUTOINCREMENT,
  run          INTEGER NOT NULL REFERENCES run (id),
  condition    TEXT NOT NULL,
  instruction  TEXT NOT NULL,
  cautions     TEXT NOT NULL,
  opened_at    REAL NOT NULL,
  confirmed_at REAL,
  confirmed_by TEXT,
  closed_at    REAL
) STRICT;

CREATE UNIQUE INDEX one_open_gate_per_run ON gate (run) WHERE closed_at IS NULL;

CREATE TABLE schedule (
  id           INTEGER PRIMARY KEY AUTOINCREMENT,
  recipe_name  TEXT NOT NULL,
  recipe_text  TEXT NOT NULL,
  bench        TEXT NOT NULL,
  priority     INTEGER NOT NULL DEFAULT 0,
  kind         TEXT NOT NULL CHECK (kind IN ('at', 'every', 'cron')),
  rule         TEXT NOT NULL,
  zone         TEXT NOT NULL,
  next_at      REAL,
  remaining    INTEGER,
  created_at   REAL NOT NULL,
  created_by   TEXT NOT NULL DEFAULT '',
  hands        INTEGER
) STRICT;

CREATE TABLE event (
  id   INTEGER PRIMARY KEY AUTOINCREMENT,
  run  INTEGER REFERENCES run (id),
  at   REAL NOT NULL,
  name TEXT NOT NULL,
  data TEXT NOT NULL
) STRICT;

CREATE INDEX event_by_run ON event (run, id);

CREATE TABLE beat (
  one        INTEGER PRIMARY KEY CHECK (one = 1),
  pid        INTEGER NOT NULL,
  at         REAL NOT NULL,
  address    TEXT NOT NULL DEFAULT ''
) STRICT;

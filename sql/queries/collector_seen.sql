-- Notes that a collector runs; forgets those that have not for a day.
-- $1 text (host and process)
-- $2 text (version)
-- $3 timestamp with time zone (started)
-- $4 timestamp with time zone (now)
-- $5 timestamp with time zone (clock stepped; null: it did not)
WITH gone AS (
    DELETE FROM vaneward.collector WHERE seen_at < $4::timestamptz - interval '1 day' AND collector <> $1::text
)
INSERT INTO vaneward.collector (collector, version, started_at, seen_at, clock_stepped_at)
VALUES ($1::text, $2::text, $3::timestamptz, $4::timestamptz, $5::timestamptz)
    ON CONFLICT (collector) DO UPDATE
   SET version = excluded.version, started_at = excluded.started_at, seen_at = excluded.seen_at,
       clock_stepped_at = excluded.clock_stepped_at;

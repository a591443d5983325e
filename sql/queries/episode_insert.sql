-- Stores versions of episodes.
-- $1 text[] (site)
-- $2 text[] (drive)
-- $3 text[] (fault)
-- $4 timestamp with time zone[] (began)
-- $5 timestamp with time zone[] (known from)
-- $6 timestamp with time zone[] (known until)
-- $7 timestamp with time zone[] (alarm)
-- $8 timestamp with time zone[] (ended)
-- $9 text[] (outcome)
-- $10 boolean[] (end seen)
-- $11 integer[] (reports)
INSERT INTO vaneward.episode (site, drive, fault, began_at, known_from, known_until, alarm_at, ended_at, outcome,
                              end_seen, reports)
SELECT *
  FROM unnest($1::text[], $2::text[], $3::text[], $4::timestamptz[], $5::timestamptz[], $6::timestamptz[],
              $7::timestamptz[], $8::timestamptz[], $9::text[], $10::boolean[], $11::integer[]);

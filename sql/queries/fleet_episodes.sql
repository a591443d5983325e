-- Episodes in the version that was known at a moment, drive by drive in order of time.
-- $1 timestamp with time zone (as of)
-- -> drive text
-- -> fault text
-- -> began_at timestamp with time zone
-- -> alarm_at timestamp with time zone
-- -> ended_at timestamp with time zone
-- -> outcome text
-- -> end_seen boolean
-- -> reports integer
SELECT drive, fault, began_at, alarm_at, ended_at, outcome, end_seen, reports
  FROM vaneward.episode
 WHERE known_from <= $1::timestamptz AND (known_until IS NULL OR known_until > $1::timestamptz)
 ORDER BY drive COLLATE "C", began_at, fault COLLATE "C";

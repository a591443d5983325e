-- The newest versions of a drive's episodes.
-- $1 text (site)
-- $2 text (drive)
-- -> fault text
-- -> began_at timestamp with time zone
-- -> known_from timestamp with time zone
-- -> alarm_at timestamp with time zone
-- -> ended_at timestamp with time zone
-- -> outcome text
-- -> end_seen boolean
-- -> reports integer
SELECT fault, began_at, known_from, alarm_at, ended_at, outcome, end_seen, reports
  FROM vaneward.episode
 WHERE site = $1::text AND drive = $2::text AND known_until IS NULL
 ORDER BY began_at, fault;

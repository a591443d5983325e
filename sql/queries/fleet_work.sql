-- Work that was done and recorded by a moment, fan by fan in order of time.
-- $1 timestamp with time zone (as of)
-- -> drive text
-- -> position text
-- -> done_at timestamp with time zone
-- -> action text
-- -> reason text
-- -> finding text
-- -> technician text
-- -> part text
-- -> note text
-- -> rpm_before double precision
-- -> rpm_after double precision
SELECT drive, position, done_at, action, reason, finding, technician, part, note,
       rpm_before::double precision AS rpm_before, rpm_after::double precision AS rpm_after
  FROM vaneward.work
 WHERE done_at <= $1::timestamptz AND recorded_at <= $1::timestamptz
 ORDER BY drive COLLATE "C", position COLLATE "C", done_at, action COLLATE "C";

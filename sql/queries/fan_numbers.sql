-- Fans with their site and number there, in order of keys.
-- $1 text (site; null: every site)
-- $2 text (drive; null: every drive)
-- $3 text (position; null: every position)
-- -> site text
-- -> fan_no integer
-- -> drive text
-- -> position text
SELECT site, fan_no, drive, position FROM vaneward.fan
 WHERE ($1::text IS NULL OR site = $1::text) AND ($2::text IS NULL OR drive = $2::text)
   AND ($3::text IS NULL OR position = $3::text)
 ORDER BY site, drive, position;

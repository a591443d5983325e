-- Days that have a summary though some of their raw readings are gone.
-- $1 text (site)
-- $2 integer[] (fan)
-- $3 date[] (day)
-- -> fan_no integer
-- -> day date
SELECT f.fan_no, f.day
  FROM vaneward.fan_day f JOIN unnest($2::integer[], $3::date[]) AS k (fan_no, day) ON f.fan_no = k.fan_no AND f.day = k.day
 WHERE f.site = $1::text AND f.known_until IS NULL
 ORDER BY f.fan_no, f.day;

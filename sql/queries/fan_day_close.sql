-- Ends the newest summaries of days, because others take their place.
-- $1 text (site)
-- $2 integer[] (fan)
-- $3 date[] (day)
-- $4 timestamp with time zone[] (known until)
UPDATE vaneward.fan_day f SET known_until = k.known_until
  FROM unnest($2::integer[], $3::date[], $4::timestamptz[]) AS k (fan_no, day, known_until)
 WHERE f.site = $1::text AND f.fan_no = k.fan_no AND f.day = k.day
   AND (f.known_until IS NULL OR f.known_until > k.known_until);

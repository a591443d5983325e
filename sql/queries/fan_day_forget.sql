-- Takes back summaries that were known no earlier than those that take their place.
-- $1 text (site)
-- $2 integer[] (fan)
-- $3 date[] (day)
-- $4 timestamp with time zone[] (known from)
DELETE FROM vaneward.fan_day f
 USING unnest($2::integer[], $3::date[], $4::timestamptz[]) AS k (fan_no, day, known_from)
 WHERE f.site = $1::text AND f.fan_no = k.fan_no AND f.day = k.day AND f.known_from >= k.known_from;

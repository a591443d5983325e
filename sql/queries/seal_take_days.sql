-- Takes day blocks out, to be packed anew.
-- $1 text (site)
-- $2 integer[] (fan)
-- $3 timestamp with time zone[] (day)
-- $4 timestamp with time zone (the earliest of the days)
-- $5 timestamp with time zone (the latest of the days)
-- $6 integer (the lowest of the fans)
-- $7 integer (the highest of the fans)
-- -> fan_no integer
-- -> starts_at timestamp with time zone
-- -> received_at timestamp with time zone
-- -> readings integer
-- -> data bytea
DELETE FROM vaneward.reading_day b
 USING unnest($2::integer[], $3::timestamptz[]) AS k (fan_no, day)
 WHERE b.site = $1::text AND b.fan_no = k.fan_no AND b.starts_at = k.day
   AND b.starts_at >= $4::timestamptz AND b.starts_at <= $5::timestamptz
   AND b.fan_no >= $6::integer AND b.fan_no <= $7::integer
RETURNING b.fan_no, b.starts_at, b.received_at, b.readings, b.data;

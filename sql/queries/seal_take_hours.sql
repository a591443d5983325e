-- Takes hour blocks out, to be packed anew.
-- $1 text (site)
-- $2 integer[] (fan)
-- $3 timestamp with time zone[] (hour)
-- $4 timestamp with time zone (the earliest of the hours)
-- $5 timestamp with time zone (the latest of the hours)
-- $6 integer (the lowest of the fans)
-- $7 integer (the highest of the fans)
-- -> fan_no integer
-- -> starts_at timestamp with time zone
-- -> received_at timestamp with time zone
-- -> readings integer
-- -> data bytea
DELETE FROM vaneward.reading_hour b
 USING unnest($2::integer[], $3::timestamptz[]) AS k (fan_no, hour)
 WHERE b.site = $1::text AND b.fan_no = k.fan_no AND b.starts_at = k.hour
   AND b.starts_at >= $4::timestamptz AND b.starts_at <= $5::timestamptz
   AND b.fan_no >= $6::integer AND b.fan_no <= $7::integer
RETURNING b.fan_no, b.starts_at, b.received_at, b.readings, b.data;

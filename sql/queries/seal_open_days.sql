-- Fans whose hour blocks of closed days are to be made into day blocks, from some fan on, in order.
-- $1 timestamp with time zone (the beginning of the first day that is not to be folded)
-- $2 text (from this site on)
-- $3 integer (and this fan of it)
-- $4 bigint (as many as have about so many readings)
-- -> site text
-- -> fan_no integer
-- -> day timestamp with time zone
SELECT site, fan_no, day
  FROM (SELECT site, fan_no, day, sum(sum(readings)) OVER (ORDER BY site, fan_no, day) - sum(readings) AS readings_before
          FROM (SELECT site::text, fan_no, date_trunc('day', starts_at, 'UTC') AS day, readings
                  FROM vaneward.reading_hour
                 WHERE starts_at < $1::timestamptz AND (site, fan_no) >= ($2::text, $3::integer)
                 ORDER BY site, fan_no, starts_at LIMIT 50000) h
         GROUP BY site, fan_no, day) d
 WHERE readings_before < $4::bigint
 ORDER BY site, fan_no, day;

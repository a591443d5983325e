-- Fans of one site whose hour blocks of a closed day are to be made into day blocks.
-- $1 timestamp with time zone (the beginning of the first day that is not closed)
-- $2 bigint (as many as have about so many readings)
-- -> site text
-- -> fan_no integer
-- -> day timestamp with time zone
SELECT h.site, h.fan_no, h.day
  FROM (SELECT site::text, fan_no, date_trunc('day', starts_at, 'UTC') AS day,
               sum(sum(readings)) OVER (ORDER BY date_trunc('day', starts_at, 'UTC'), fan_no) - sum(readings) AS readings_before
          FROM vaneward.reading_hour
         WHERE starts_at < $1::timestamptz
           AND site = (SELECT site FROM vaneward.reading_hour WHERE starts_at < $1::timestamptz ORDER BY site LIMIT 1)
         GROUP BY site, fan_no, date_trunc('day', starts_at, 'UTC')) h
 WHERE h.readings_before < $2::bigint
 ORDER BY h.day, h.fan_no;

-- Every packed block that may hold readings of a fan within a span: hour and day blocks of the fan, and the
-- site's journal rows, which hold other fans too.
-- $1 text                     (site)
-- $2 integer                  (number of the fan)
-- $3 timestamp with time zone (from)
-- $4 timestamp with time zone (to, not included)
-- -> data bytea
-- -> from_at timestamp with time zone (those of its readings that count begin here; null: all)
SELECT data, NULL::timestamptz AS from_at FROM vaneward.reading_day
 WHERE site = $1::text AND fan_no = $2::integer
   AND starts_at > $3::timestamptz - interval '1 day' AND starts_at < $4::timestamptz
UNION ALL
SELECT data, NULL FROM vaneward.reading_hour
 WHERE site = $1::text AND fan_no = $2::integer
   AND starts_at > $3::timestamptz - interval '1 hour' AND starts_at < $4::timestamptz
UNION ALL
SELECT data, from_at
  FROM (SELECT data, greatest(sealed_before, CASE WHEN $2::integer < sealed_fans THEN sealed_until END) AS from_at
          FROM vaneward.journal_waiting
         WHERE site = $1::text AND newest_at >= $3::timestamptz
         ORDER BY journal_no) j;

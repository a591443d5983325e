-- Daily summaries of a site in the version that was known at a moment, as far as reports use them. In no order: the rows
-- lie as the days were closed, and the reader puts them to their fans.
-- $1 text                     (site)
-- $2 timestamp with time zone (as of)
-- -> fan_no integer
-- -> day date
-- -> unavailable_readings integer
-- -> zero_readings integer
-- -> covered_s integer
-- -> rpm_min double precision
-- -> rpm_median double precision
SELECT fan_no, day, unavailable_readings, zero_readings, covered_s, rpm_min, rpm_median
  FROM vaneward.fan_day
 WHERE site = $1::text AND known_from <= $2::timestamptz
   AND (known_until IS NULL OR known_until > $2::timestamptz);

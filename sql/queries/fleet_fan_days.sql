-- Daily summaries of a site in the version that was known at a moment, fan by fan in order of time.
-- $1 text                     (site)
-- $2 timestamp with time zone (as of)
-- -> fan_no integer
-- -> day date
-- -> readings integer
-- -> unavailable_readings integer
-- -> zero_readings integer
-- -> covered_s integer
-- -> rpm_median double precision
-- -> rpm_mean double precision
-- -> rpm_min double precision
-- -> rpm_max double precision
-- -> rpm_spread double precision
-- -> rpm_last double precision
SELECT fan_no, day, readings, unavailable_readings, zero_readings, covered_s, rpm_median, rpm_mean, rpm_min,
       rpm_max, rpm_spread, rpm_last
  FROM vaneward.fan_day
 WHERE site = $1::text AND known_from <= $2::timestamptz
   AND (known_until IS NULL OR known_until > $2::timestamptz)
 ORDER BY fan_no, day;

-- Stores what a pack said; what was said already of the same moment and horizon stays.
-- $1 text[]                   (site)
-- $2 text[]                   (drive)
-- $3 double precision[]       (probability)
-- $4 double precision[]       (lower limit)
-- $5 double precision[]       (upper limit)
-- $6 text[]                   (action)
-- $7 timestamp with time zone (issued)
-- $8 integer                  (horizon, days)
-- $9 text                     (method)
-- $10 timestamp with time zone (calibration that was used)
INSERT INTO vaneward.forecast (site, drive, issued_at, horizon_days, probability, lower, upper, action, method,
                               calibrated_at, recorded_at)
SELECT site, drive, $7::timestamptz, $8::integer, probability, lower, upper, action, $9::text, $10::timestamptz,
       clock_timestamp()
  FROM unnest($1::text[], $2::text[], $3::float8[], $4::float8[], $5::float8[], $6::text[])
       AS f (site, drive, probability, lower, upper, action)
    ON CONFLICT (site, drive, issued_at, horizon_days) DO NOTHING;

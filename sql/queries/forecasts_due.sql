-- Forecasts that were issued and stored by a moment, and whose horizon had passed then, in order of time.
-- $1 timestamp with time zone (as of)
-- -> drive text
-- -> issued_at timestamp with time zone
-- -> horizon_days integer
-- -> probability double precision
-- -> action text
SELECT drive, issued_at, horizon_days, probability, action
  FROM vaneward.forecast
 WHERE recorded_at <= $1::timestamptz AND issued_at + horizon_days * interval '1 day' <= $1::timestamptz
 ORDER BY issued_at, drive COLLATE "C", horizon_days;

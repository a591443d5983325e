-- What came of the forecasts of a calibration's replay, by tenths.
-- $1 timestamp with time zone (recorded)
-- -> horizon_days integer
-- -> tenth integer
-- -> forecasts integer
-- -> forecast double precision
-- -> observed double precision
-- -> error double precision
SELECT horizon_days, tenth, forecasts, forecast, observed, error
  FROM vaneward.calibration_tenth
 WHERE recorded_at = $1::timestamptz
 ORDER BY horizon_days, tenth;

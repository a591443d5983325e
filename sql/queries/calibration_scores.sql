-- How the methods of a calibration did.
-- $1 timestamp with time zone (recorded)
-- -> horizon_days integer
-- -> method text
-- -> forecasts integer
-- -> faults integer
-- -> lost integer
-- -> share double precision
-- -> brier double precision
-- -> reliability double precision
-- -> resolution double precision
-- -> skill double precision
-- -> log_score double precision
-- -> area double precision
-- -> concordance double precision
-- -> top double precision
SELECT horizon_days, method, forecasts, faults, lost, share, brier, reliability, resolution, skill, log_score, area,
       concordance, top
  FROM vaneward.calibration_score
 WHERE recorded_at = $1::timestamptz
 ORDER BY horizon_days, method COLLATE "C";

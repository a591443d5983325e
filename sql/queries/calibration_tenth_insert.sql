-- Stores what came of the forecasts within a tenth of the scale.
-- $1 timestamp with time zone (recorded)
-- $2 integer                  (horizon, days)
-- $3 integer                  (tenth)
-- $4 integer                  (forecasts)
-- $5 double precision         (mean probability)
-- $6 double precision         (share with a fault)
-- $7 double precision         (sampling error)
INSERT INTO vaneward.calibration_tenth (recorded_at, horizon_days, tenth, forecasts, forecast, observed, error)
VALUES ($1, $2, $3, $4, $5, $6, $7);
